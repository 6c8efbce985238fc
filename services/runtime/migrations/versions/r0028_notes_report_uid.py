"""The UID of each revision's structured report, so that the next names what could be written."""

import sqlalchemy as sa
from alembic import op

revision = "0028"
down_revision = "0027"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("notes_revision", sa.Column("report_uid", sa.String(64), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("notes_revision") as batch:
        batch.drop_column("report_uid")
