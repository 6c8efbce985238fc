"""Assessment's facts and studies."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "assessment_fact",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("natural_key", sa.String(400), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("room", sa.String(64)),
        sa.Column("moment", UtcDateTime),
        sa.Column("study_instance_uid", sa.String(64)),
        sa.Column("about", sa.String(400)),
        sa.Column("patient_id", sa.String(64)),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("site", "natural_key", name="pk_assessment_fact"),
    )
    for columns in (
        ["site", "room", "moment"],
        ["site", "study_instance_uid"],
        ["site", "about"],
        ["site", "patient_id"],
    ):
        op.create_index(f"ix_assessment_fact_{'_'.join(columns)}", "assessment_fact", columns)
    op.create_table(
        "assessment_study",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("room", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", name="pk_assessment_study"),
    )
    op.create_index(
        "ix_assessment_study_site_day_room", "assessment_study", ["site", "day", "room"]
    )


def downgrade() -> None:
    op.drop_table("assessment_study")
    op.drop_table("assessment_fact")
