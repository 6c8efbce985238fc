"""What bars every posting to a record until a person acts."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "records_bar",
        sa.Column("record", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("fault", sa.String(64), nullable=False),
        sa.Column("since", UtcDateTime, nullable=False),
        sa.Column("words", sa.Text, nullable=False),
        sa.Column("next_action", sa.Text, nullable=False),
        sa.Column("mended_at", UtcDateTime),
        sa.PrimaryKeyConstraint("record", name="pk_records_bar"),
    )


def downgrade() -> None:
    op.drop_table("records_bar")
