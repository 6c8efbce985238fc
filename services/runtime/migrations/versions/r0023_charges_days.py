"""Days that charges reconcile and tell, each of which is told once after this."""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "charges_day_due",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("due_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("site", "day", name="pk_charges_day_due"),
    )
    op.create_index("ix_charges_day_due_due_at", "charges_day_due", ["due_at"])
    op.create_table(
        "charges_day_told",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("site", "day", name="pk_charges_day_told"),
    )
    every = sa.text(
        "INSERT INTO charges_day_due (site, day, due_at) "
        "SELECT DISTINCT site, day, :now FROM charges_study_day"
    ).bindparams(sa.bindparam("now", datetime.now(UTC), type_=UtcDateTime()))
    op.get_bind().execute(every)


def downgrade() -> None:
    op.drop_table("charges_day_told")
    op.drop_table("charges_day_due")
