"""What is said of each room-day; merges and descriptions found by every patient they name."""

import json
from datetime import datetime

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_FACT = sa.table(
    "assessment_fact",
    sa.column("site", sa.String),
    sa.column("natural_key", sa.String),
    sa.column("kind", sa.String),
    sa.column("moment", UtcDateTime),
    sa.column("about", sa.String),
    sa.column("patient_id", sa.String),
    sa.column("body", sa.LargeBinary),
)
_KINDS = ("patient_described", "patient_merged")


def upgrade() -> None:
    op.create_table(
        "assessment_room_day",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("room", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "room", "day", name="pk_assessment_room_day"),
    )
    fill_in()


def fill_in() -> None:
    """Name the animals of facts that an older version kept without them."""
    bind = op.get_bind()
    rows = bind.execute(
        sa.select(_FACT.c.site, _FACT.c.natural_key, _FACT.c.kind, _FACT.c.body).where(
            _FACT.c.kind.in_(_KINDS)
        )
    ).all()
    for row in rows:
        told = json.loads(bytes(row.body))
        if row.kind == "patient_merged":
            values: dict[str, object] = {
                "about": f"merged-into:{told['payload']['kept_patient_id']}"
            }
        else:
            values = {
                "patient_id": told["payload"]["patient"]["patient_id"],
                "moment": datetime.fromisoformat(told["occurred_at"]),
            }
        own = (_FACT.c.site == row.site) & (_FACT.c.natural_key == row.natural_key)
        bind.execute(sa.update(_FACT).where(own).values(values))


def downgrade() -> None:
    of_kind = _FACT.c.kind
    op.execute(sa.update(_FACT).where(of_kind == "patient_merged").values(about=None))
    op.execute(
        sa.update(_FACT).where(of_kind == "patient_described").values(patient_id=None, moment=None)
    )
    op.drop_table("assessment_room_day")
