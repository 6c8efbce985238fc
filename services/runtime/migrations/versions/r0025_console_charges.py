"""The charge desk: reconciled days, their exceptions, and what people sent from it."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0025"
down_revision = "0024"
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
        "console_charge_day",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("currency", sa.String(3), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("told_at", UtcDateTime, nullable=False),
        sa.Column("read_at", UtcDateTime),
        *(sa.Column(name, sa.BigInteger, nullable=False) for name in _SUMS),
        sa.Column("snapshot", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "day", "currency", name="pk_console_charge_day"),
    )
    op.create_index("ix_console_charge_day_day", "console_charge_day", ["day", "site"])
    op.create_table(
        "console_charge_exception",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("exception_id", sa.String(16), nullable=False),
        sa.Column("currency", sa.String(3), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("status", sa.String(32), nullable=False),
        sa.Column("open_day", sa.Date),
        sa.Column("at_stake_cents", sa.BigInteger, nullable=False),
        sa.Column("told_at", UtcDateTime, nullable=False),
        sa.Column("snapshot", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "day", "exception_id", name="pk_console_charge_exception"),
    )
    for name, columns in (
        ("id", ["site", "exception_id"]),
        ("open", ["site", "open_day", "exception_id"]),
        ("day", ["site", "day", "at_stake_cents", "exception_id"]),
    ):
        op.create_index(f"ix_console_charge_exception_{name}", "console_charge_exception", columns)
    op.create_table(
        "console_charge_deed",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("batch", sa.String(64), nullable=False),
        sa.Column("about", sa.String(64), nullable=False),
        sa.Column("what", sa.String(16), nullable=False),
        sa.Column("day", sa.Date),
        sa.Column("person", sa.String(130), nullable=False),
        sa.Column("told_at", UtcDateTime, nullable=False),
        sa.Column("outcome", sa.String(16), nullable=False),
        sa.Column("words", sa.Text, nullable=False),
        sa.Column("shown", sa.Text, nullable=False),
        sa.Column("fact", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "batch", "about", name="pk_console_charge_deed"),
    )
    op.create_index(
        "ix_console_charge_deed_about", "console_charge_deed", ["site", "about", "told_at"]
    )


def downgrade() -> None:
    for name in ("deed", "exception", "day"):
        op.drop_table(f"console_charge_{name}")
