"""The console's figures of a site's days, all together."""

import sqlalchemy as sa
from alembic import op

revision = "0030"
down_revision = "0029"
branch_labels = None
depends_on = None

_COUNTS = (
    "images",
    "rejected",
    "repeats",
    "exposures",
    "ended_early",
    "deviations",
    "missing_views",
    "kerma_known",
    "kerma_ngy",
    "kap_known",
    "kap_ngycm2",
    *(f"kerma_bin_{number:02d}" for number in range(24)),
)


def upgrade() -> None:
    op.create_table(
        "console_figures_site_day",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        *(sa.Column(name, sa.BigInteger, nullable=False, server_default="0") for name in _COUNTS),
        sa.PrimaryKeyConstraint("site", "day", name="pk_console_figures_site_day"),
    )
    names = ", ".join(_COUNTS)
    sums = ", ".join(f"SUM({name})" for name in _COUNTS)
    op.execute(
        f"INSERT INTO console_figures_site_day (site, day, {names}) "  # noqa: S608
        f"SELECT site, day, {sums} FROM console_figures_day GROUP BY site, day"
    )


def downgrade() -> None:
    op.drop_table("console_figures_site_day")
