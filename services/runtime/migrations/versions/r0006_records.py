"""Postings to the patient record."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import RowId, UtcDateTime

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "records_posting",
        sa.Column("posting_key", sa.String(160), nullable=False),
        sa.Column("sequence", RowId, nullable=False),
        sa.Column("verb", sa.String(16), nullable=False),
        sa.Column("group_name", sa.String(64), nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("patient_id", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("note_revision", sa.Integer),
        sa.Column("body", sa.JSON, nullable=False),
        sa.Column("message_id", sa.String(36), nullable=False),
        sa.Column("correlation_id", sa.String(128), nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("next_try_at", UtcDateTime, nullable=False),
        sa.Column("answered_at", UtcDateTime),
        sa.Column("reference", sa.Text),
        sa.Column("words", sa.Text),
        sa.PrimaryKeyConstraint("posting_key", name="pk_records_posting"),
    )
    op.create_index(
        "ix_records_posting_state_site_patient_id_sequence",
        "records_posting",
        ["state", "site", "patient_id", "sequence"],
    )
    op.create_index(
        "ix_records_posting_study_instance_uid", "records_posting", ["study_instance_uid"]
    )


def downgrade() -> None:
    op.drop_table("records_posting")
