"""The studies and the ledger of the charges service."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "charges_study",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("released", sa.Boolean, nullable=False),
        sa.Column("assessment", sa.Text),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("snapshot", sa.Text),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", name="pk_charges_study"),
    )
    op.create_table(
        "charges_entry",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("posting_key", sa.String(160), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("made_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", "number", name="pk_charges_entry"),
        sa.UniqueConstraint("site", "posting_key", name="uq_charges_entry_site_posting_key"),
    )


def downgrade() -> None:
    op.drop_table("charges_entry")
    op.drop_table("charges_study")
