"""The charge desk's totals of each month, beside those of each day."""

import sqlalchemy as sa
from alembic import op

revision = "0027"
down_revision = "0026"
branch_labels = None
depends_on = None

_SUMS = (
    "images_seen",
    "images_charged",
    "images_not_charged",
    "exceptions",
    "faults",
    "priced_cents",
    "not_due_cents",
    "due_cents",
    "corrections_cents",
    "posted_cents",
    "waiting_cents",
    "refused_cents",
    "differences_cents",
    "held_cents",
    "unread_cents",
    "outstanding_cents",
)


def upgrade() -> None:
    op.create_table(
        "console_charge_month",
        sa.Column("month", sa.Date, nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("currency", sa.String(3), nullable=False),
        *(sa.Column(name, sa.BigInteger, nullable=False) for name in _SUMS),
        sa.PrimaryKeyConstraint("month", "site", "currency", name="pk_console_charge_month"),
    )
    of_sqlite = op.get_bind().dialect.name == "sqlite"
    month = "date(day, 'start of month')" if of_sqlite else "CAST(date_trunc('month', day) AS date)"
    names = ", ".join(_SUMS)
    sums = ", ".join(f"SUM({name})" for name in _SUMS)
    op.execute(
        f"INSERT INTO console_charge_month (month, site, currency, {names}) "  # noqa: S608
        f"SELECT {month}, site, currency, {sums} FROM console_charge_day "
        "WHERE currency <> '' GROUP BY 1, 2, 3"
    )


def downgrade() -> None:
    op.drop_table("console_charge_month")
