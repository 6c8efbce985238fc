"""Intake's facts, worklist and images."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "intake_fact",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("natural_key", sa.String(400), nullable=False),
        sa.Column("id", sa.String(36), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("occurred_at", UtcDateTime, nullable=False),
        sa.Column("received_at", UtcDateTime, nullable=False),
        sa.Column("study_instance_uid", sa.String(64)),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("site", "natural_key", name="pk_intake_fact"),
        sa.UniqueConstraint("id", name="uq_intake_fact_id"),
    )
    op.create_index("ix_intake_fact_study_instance_uid", "intake_fact", ["study_instance_uid"])
    op.create_table(
        "intake_order",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("order_id", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("study_instance_uid", sa.String(64)),
        sa.Column("accession_number", sa.String(16)),
        sa.Column("room", sa.String(64)),
        sa.Column("scheduled_at", UtcDateTime),
        sa.Column("plan", sa.String(64)),
        sa.Column("patient", sa.LargeBinary),
        sa.Column("ordered_by", sa.String(64)),
        sa.Column("cancelled", sa.Boolean, nullable=False),
        sa.PrimaryKeyConstraint("site", "order_id", name="pk_intake_order"),
    )
    op.create_index("ix_intake_order_site_scheduled_at", "intake_order", ["site", "scheduled_at"])
    op.create_table(
        "intake_image",
        sa.Column("sop_instance_uid", sa.String(64), nullable=False),
        sa.Column("copy", sa.Integer, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("path", sa.String(400), nullable=False),
        sa.PrimaryKeyConstraint("sop_instance_uid", "copy", name="pk_intake_image"),
    )


def downgrade() -> None:
    op.drop_table("intake_image")
    op.drop_table("intake_order")
    op.drop_table("intake_fact")
