"""What the record said to each revision of a note, in place of whether it took it."""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

_LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)
"""When an answer of before came was not kept; whatever comes from now on is later."""


def _table() -> sa.TableClause:
    return sa.table(
        "notes_revision",
        sa.column("accepted", sa.Boolean),
        sa.column("outcome", sa.String),
        sa.column("answered_at", UtcDateTime),
    )


def upgrade() -> None:
    op.add_column("notes_revision", sa.Column("outcome", sa.String(16)))
    op.add_column("notes_revision", sa.Column("answered_at", UtcDateTime))
    op.add_column("notes_revision", sa.Column("words", sa.Text))
    table = _table()
    op.execute(
        table.update()
        .where(table.c.accepted.is_(True))
        .values(outcome="accepted", answered_at=_LONG_AGO)
    )
    op.drop_column("notes_revision", "accepted")


def downgrade() -> None:
    op.add_column(
        "notes_revision",
        sa.Column("accepted", sa.Boolean, nullable=False, server_default=sa.false()),
    )
    table = _table()
    op.execute(table.update().where(table.c.outcome == "accepted").values(accepted=True))
    for name in ("words", "answered_at", "outcome"):
        op.drop_column("notes_revision", name)
