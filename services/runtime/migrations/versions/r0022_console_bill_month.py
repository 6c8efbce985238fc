"""The totals of each month, and those of the whole group's days, beside each site's."""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None

_NAMES = (
    "studies",
    "total_cents",
    "posted_cents",
    "waiting",
    "waiting_cents",
    "refused",
    "exceptions",
    "not_charged",
)


def upgrade() -> None:
    op.create_table(
        "console_bill_month",
        sa.Column("month", sa.Date, nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("currency", sa.String(3), nullable=False),
        *(sa.Column(name, sa.BigInteger, nullable=False, server_default="0") for name in _NAMES),
        sa.PrimaryKeyConstraint("month", "site", "currency", name="pk_console_bill_month"),
    )
    of_sqlite = op.get_bind().dialect.name == "sqlite"
    month = "date(day, 'start of month')" if of_sqlite else "CAST(date_trunc('month', day) AS date)"
    names = ", ".join(_NAMES)
    sums = ", ".join(f"SUM({name})" for name in _NAMES)
    # All names are those of our own tables.
    op.execute(
        f"INSERT INTO console_bill_month (month, site, currency, {names}) "  # noqa: S608
        f"SELECT {month}, site, currency, {sums} FROM console_bill_day GROUP BY 1, 2, 3"
    )
    op.execute(
        f"INSERT INTO console_bill_day (day, site, currency, {names}) "  # noqa: S608
        f"SELECT day, '', currency, {sums} FROM console_bill_day GROUP BY day, currency"
    )


def downgrade() -> None:
    op.execute("DELETE FROM console_bill_day WHERE site = ''")
    op.drop_table("console_bill_month")
