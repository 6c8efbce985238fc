"""How far each watched file of a device has been read."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "intake_tail",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("device", sa.String(64), nullable=False),
        sa.Column("path", sa.String(400), nullable=False),
        sa.Column("inode", sa.String(64), nullable=False),
        sa.Column("position", sa.BigInteger, nullable=False),
        sa.Column("line", sa.BigInteger, nullable=False),
        sa.Column("within_line", sa.Boolean, nullable=False),
        sa.Column("fingerprint", sa.String(64)),
        sa.Column("header", sa.Text),
        sa.Column("held", sa.String(64)),
        sa.Column("done", sa.Boolean, nullable=False),
        sa.Column("read_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("site", "device", "path", name="pk_intake_tail"),
    )


def downgrade() -> None:
    op.drop_table("intake_tail")
