"""Since when a note waits for its signature, and how often that was told."""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("notes_study", sa.Column("waiting_since", UtcDateTime))
    op.add_column(
        "notes_study", sa.Column("reminded", sa.Integer, nullable=False, server_default="0")
    )
    study = sa.table(
        "notes_study",
        sa.column("assessment", sa.Text),
        sa.column("signed", sa.Text),
        sa.column("waiting_since", UtcDateTime),
    )
    # Those of before wait from now on: when their work ended is not kept.
    op.execute(
        study.update()
        .where(
            study.c.signed.is_(None),
            study.c.assessment.like('%"closed":true%'),
            study.c.assessment.not_like('%"training":true%'),
        )
        .values(waiting_since=datetime.now(UTC))
    )


def downgrade() -> None:
    op.drop_column("notes_study", "reminded")
    op.drop_column("notes_study", "waiting_since")
