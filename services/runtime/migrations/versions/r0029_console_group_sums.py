"""The console's sums by site in narrow rows, and those of storage for the whole group."""

import sqlalchemy as sa
from alembic import op

revision = "0029"
down_revision = "0028"
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
)


def upgrade() -> None:
    op.create_table(
        "console_figures_site",
        sa.Column("month", sa.Date, nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        *(sa.Column(name, sa.BigInteger, nullable=False, server_default="0") for name in _COUNTS),
        sa.PrimaryKeyConstraint("month", "site", name="pk_console_figures_site"),
    )
    names = ", ".join(_COUNTS)
    op.execute(
        f"INSERT INTO console_figures_site (month, site, {names}) "  # noqa: S608
        f"SELECT month, site, {names} FROM console_figures_month "
        "WHERE \"by\" = 'all' AND site <> ''"
    )
    op.execute(
        "INSERT INTO console_storage_day (day, site, images, bytes) "
        "SELECT day, '', SUM(images), SUM(bytes) FROM console_storage_day GROUP BY day"
    )


def downgrade() -> None:
    op.execute("DELETE FROM console_storage_day WHERE site = ''")
    op.drop_table("console_figures_site")
