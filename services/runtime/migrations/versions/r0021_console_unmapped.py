"""Postings that wait for a code of the record, as the console lists them."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "console_unmapped",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("posting_key", sa.String(160), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("told_at", UtcDateTime, nullable=False),
        sa.Column("open_since", UtcDateTime),
        sa.Column("snapshot", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "posting_key", name="pk_console_unmapped"),
    )
    for name, columns in (
        ("study", ["site", "study_instance_uid"]),
        ("open_since", ["open_since", "site", "posting_key"]),
        ("site_open_since", ["site", "open_since", "posting_key"]),
    ):
        op.create_index(f"ix_console_unmapped_{name}", "console_unmapped", columns)


def downgrade() -> None:
    op.drop_table("console_unmapped")
