"""What was read from patient records, and revisions of orders as moments in microseconds."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import RowId, UtcDateTime

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "intake_cursor",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("device", sa.String(64), nullable=False),
        sa.Column("resource_type", sa.String(64), nullable=False),
        sa.Column("since", UtcDateTime, nullable=False),
        sa.Column("seen", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("site", "device", "resource_type", name="pk_intake_cursor"),
    )
    op.create_table(
        "intake_record_message",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("device", sa.String(64), nullable=False),
        sa.Column("control_id", sa.String(200), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("taken", sa.Boolean, nullable=False),
        sa.Column("told_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint(
            "site", "device", "control_id", "sha256", name="pk_intake_record_message"
        ),
    )
    op.create_index("ix_intake_record_message_told_at", "intake_record_message", ["told_at"])
    # SQLite's INTEGER holds 64 bits already.
    if op.get_bind().dialect.name != "sqlite":
        op.alter_column("intake_order", "revision", type_=RowId, existing_nullable=False)


def downgrade() -> None:
    if op.get_bind().dialect.name != "sqlite":
        op.execute("DELETE FROM intake_order WHERE revision > 2147483647")
        op.alter_column("intake_order", "revision", type_=sa.Integer, existing_nullable=False)
    op.drop_table("intake_record_message")
    op.drop_table("intake_cursor")
