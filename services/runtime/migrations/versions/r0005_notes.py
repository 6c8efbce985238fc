"""The studies, the kept facts and the revisions of the notes service."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "notes_study",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("assessment", sa.Text),
        sa.Column("signed", sa.Text),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("snapshot", sa.Text),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", name="pk_notes_study"),
    )
    op.create_table(
        "notes_fact",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("natural_key", sa.String(300), nullable=False),
        sa.Column("occurred_at", UtcDateTime, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", "natural_key", name="pk_notes_fact"),
    )
    op.create_table(
        "notes_revision",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("content", sa.String(64), nullable=False),
        sa.Column("accepted", sa.Boolean, nullable=False),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", "revision", name="pk_notes_revision"),
    )


def downgrade() -> None:
    op.drop_table("notes_revision")
    op.drop_table("notes_fact")
    op.drop_table("notes_study")
