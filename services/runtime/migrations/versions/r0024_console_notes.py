"""The notes desk of the console: revisions to compare, and what people sent of notes."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None

_REFUSED = sa.text("refused IS NOT NULL")


def upgrade() -> None:
    op.create_table(
        "console_note_revision",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("told_at", UtcDateTime, nullable=False),
        sa.Column("sections", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint(
            "site", "study_instance_uid", "revision", name="pk_console_note_revision"
        ),
    )
    op.create_index("ix_console_note_revision_told_at", "console_note_revision", ["told_at"])
    op.create_table(
        "console_sent",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("natural_key", sa.String(300), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("person", sa.String(130), nullable=False),
        sa.Column("sent_at", UtcDateTime, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("fact", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "natural_key", name="pk_console_sent"),
    )
    for name, columns in (
        ("person", ["site", "person", "sent_at"]),
        ("study", ["site", "study_instance_uid", "sent_at"]),
        ("at", ["sent_at"]),
    ):
        op.create_index(f"ix_console_sent_{name}", "console_sent", columns)
    op.create_index(
        "ix_console_note_refused",
        "console_note",
        ["site", "since", "study_instance_uid"],
        sqlite_where=_REFUSED,
        postgresql_where=_REFUSED,
    )


def downgrade() -> None:
    op.drop_index("ix_console_note_refused", "console_note")
    op.drop_table("console_sent")
    op.drop_table("console_note_revision")
