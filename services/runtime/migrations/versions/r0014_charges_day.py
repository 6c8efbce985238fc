"""The day of each study's charges, and what the record said to each posting."""

import json
from datetime import date

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

_STUDY = sa.table(
    "charges_study",
    sa.column("site", sa.String),
    sa.column("study_instance_uid", sa.String),
    sa.column("assessment", sa.Text),
    sa.column("service_day", sa.Date),
)


def upgrade() -> None:
    op.add_column("charges_study", sa.Column("service_day", sa.Date))
    op.add_column("charges_study", sa.Column("answers", sa.Text))
    op.create_index("ix_charges_study_service_day", "charges_study", ["service_day"])
    connection = op.get_bind()
    known = connection.execute(sa.select(_STUDY).where(_STUDY.c.assessment.is_not(None))).all()
    for row in known:
        connection.execute(
            sa.update(_STUDY)
            .where(_STUDY.c.site == row.site, _STUDY.c.study_instance_uid == row.study_instance_uid)
            .values(service_day=date.fromisoformat(json.loads(row.assessment)["day"]))
        )


def downgrade() -> None:
    op.drop_index("ix_charges_study_service_day", "charges_study")
    op.drop_column("charges_study", "answers")
    op.drop_column("charges_study", "service_day")
