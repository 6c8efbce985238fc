"""Who settled an entry of the triage, why, and what was sent in its place."""

import sqlalchemy as sa
from alembic import op

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None

_COLUMNS = (
    ("settled_by", sa.String(129)),
    ("settled_reason", sa.String(400)),
    ("sent_message_id", sa.String(36)),
    ("sent_body", sa.LargeBinary),
)


def upgrade() -> None:
    for name, kind in _COLUMNS:
        op.add_column("runtime_triage", sa.Column(name, kind))


def downgrade() -> None:
    for name, _kind in reversed(_COLUMNS):
        op.drop_column("runtime_triage", name)
