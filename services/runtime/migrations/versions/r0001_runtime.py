"""Outbox, inbox and triage."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import RowId, UtcDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "runtime_outbox",
        sa.Column("id", RowId, autoincrement=True, nullable=False),
        sa.Column("service", sa.String(32), nullable=False),
        sa.Column("exchange", sa.String(64), nullable=False),
        sa.Column("routing_key", sa.String(200), nullable=False),
        sa.Column("message_id", sa.String(36), nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.Column("created_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_runtime_outbox"),
    )
    op.create_index("ix_runtime_outbox_service_id", "runtime_outbox", ["service", "id"])
    op.create_table(
        "runtime_inbox",
        sa.Column("service", sa.String(32), nullable=False),
        sa.Column("message_id", sa.String(36), nullable=False),
        sa.Column("handled_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("service", "message_id", name="pk_runtime_inbox"),
    )
    op.create_index("ix_runtime_inbox_handled_at", "runtime_inbox", ["handled_at"])
    op.create_table(
        "runtime_triage",
        sa.Column("id", RowId, autoincrement=True, nullable=False),
        sa.Column("service", sa.String(32), nullable=False),
        sa.Column("origin", sa.String(16), nullable=False),
        sa.Column("kind", sa.String(40)),
        sa.Column("message_id", sa.String(36)),
        sa.Column("field", sa.String(200), nullable=False),
        sa.Column("value", sa.String(400), nullable=False),
        sa.Column("expected", sa.Text, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.Column("kept_at", UtcDateTime, nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("settled_at", UtcDateTime),
        sa.PrimaryKeyConstraint("id", name="pk_runtime_triage"),
    )
    op.create_index("ix_runtime_triage_state_id", "runtime_triage", ["state", "id"])


def downgrade() -> None:
    op.drop_table("runtime_triage")
    op.drop_table("runtime_inbox")
    op.drop_table("runtime_outbox")
