"""Performed steps, storage commitments, closed studies and what peers are told of them."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "intake_step",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("step_instance_uid", sa.String(64), nullable=False),
        sa.Column("station", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("status", sa.String(16), nullable=False),
        sa.Column("attributes", sa.LargeBinary, nullable=False),
        sa.Column("changed_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("site", "step_instance_uid", name="pk_intake_step"),
    )
    op.create_table(
        "intake_commitment",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("device", sa.String(64), nullable=False),
        sa.Column("transaction_uid", sa.String(64), nullable=False),
        sa.Column("request_sha256", sa.String(64), nullable=False),
        sa.Column("duplicate", sa.Boolean, nullable=False),
        sa.Column("requested", sa.LargeBinary, nullable=False),
        sa.Column("received_at", UtcDateTime, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("due_at", UtcDateTime),
        sa.PrimaryKeyConstraint(
            "site", "device", "transaction_uid", "request_sha256", name="pk_intake_commitment"
        ),
    )
    op.create_index("ix_intake_commitment_due_at", "intake_commitment", ["due_at"])
    op.create_table(
        "intake_closed_study",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("look_at", UtcDateTime),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", name="pk_intake_closed_study"),
    )
    op.create_index("ix_intake_closed_study_look_at", "intake_closed_study", ["look_at"])
    op.create_table(
        "intake_availability",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("device", sa.String(64), nullable=False),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.Column("notice_instance_uid", sa.String(64), nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("due_at", UtcDateTime),
        sa.PrimaryKeyConstraint(
            "site",
            "study_instance_uid",
            "device",
            "content_sha256",
            name="pk_intake_availability",
        ),
    )
    op.create_index("ix_intake_availability_due_at", "intake_availability", ["due_at"])
    op.create_table(
        "intake_patient",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("patient_id", sa.String(64), nullable=False),
        sa.Column("described_at", UtcDateTime),
        sa.Column("patient", sa.LargeBinary),
        sa.Column("merged_at", UtcDateTime),
        sa.Column("merged_into", sa.String(64)),
        sa.PrimaryKeyConstraint("site", "patient_id", name="pk_intake_patient"),
    )
    with op.batch_alter_table("intake_order") as order:
        order.add_column(sa.Column("told_at", UtcDateTime))


def downgrade() -> None:
    with op.batch_alter_table("intake_order") as order:
        order.drop_column("told_at")
    op.drop_table("intake_patient")
    op.drop_table("intake_availability")
    op.drop_table("intake_closed_study")
    op.drop_table("intake_commitment")
    op.drop_table("intake_step")
