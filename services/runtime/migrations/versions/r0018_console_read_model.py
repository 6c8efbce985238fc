"""The console's read model, filled from what its queue hears from now on."""

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

_TABLES = (
    "console_study",
    "console_storage_day",
    "console_room_day",
    "console_rejects_day",
    "console_question",
    "console_note",
    "console_figures_month",
    "console_figures_day",
    "console_device",
    "console_correction",
    "console_bill_day",
    "console_bill",
    "console_arrival",
)
_BINS = " ".join(f"kerma_bin_{number:02d}" for number in range(24))
_FIGURES = (
    "images rejected repeats exposures ended_early deviations missing_views "
    f"kerma_known kerma_ngy kap_known kap_ngycm2 {_BINS}"
)


def _sums(names: str) -> list[sa.Column[int]]:
    return [
        sa.Column(name, sa.BigInteger, nullable=False, server_default="0") for name in names.split()
    ]


def upgrade() -> None:
    op.create_table(
        "console_arrival",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("natural_key", sa.String(300), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("room", sa.String(64)),
        sa.Column("study_instance_uid", sa.String(64)),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("occurred_at", UtcDateTime, nullable=False),
        sa.Column("received_at", UtcDateTime, nullable=False),
        sa.Column("told", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "natural_key", name="pk_console_arrival"),
    )
    op.create_index(
        "ix_console_arrival_received_at", "console_arrival", ["received_at"], unique=False
    )
    op.create_index(
        "ix_console_arrival_room_day", "console_arrival", ["site", "room", "day"], unique=False
    )
    op.create_index(
        "ix_console_arrival_study", "console_arrival", ["site", "study_instance_uid"], unique=False
    )
    op.create_table(
        "console_bill",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("day", sa.Date),
        sa.Column("currency", sa.String(3)),
        sa.Column("due", sa.Boolean, nullable=False),
        *_sums(
            "studies total_cents posted_cents waiting waiting_cents refused exceptions not_charged"
        ),
        sa.Column("exception_day", sa.Date),
        sa.Column("answers", sa.Text, nullable=False),
        sa.Column("snapshot", sa.Text),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", name="pk_console_bill"),
    )
    op.create_index(
        "ix_console_bill_day", "console_bill", ["site", "day", "study_instance_uid"], unique=False
    )
    op.create_index(
        "ix_console_bill_exception_day",
        "console_bill",
        ["exception_day", "site", "study_instance_uid"],
        unique=False,
    )
    op.create_index(
        "ix_console_bill_site_exception_day",
        "console_bill",
        ["site", "exception_day", "study_instance_uid"],
        unique=False,
    )
    op.create_table(
        "console_bill_day",
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("currency", sa.String(3), nullable=False),
        *_sums(
            "studies total_cents posted_cents waiting waiting_cents refused exceptions not_charged"
        ),
        sa.PrimaryKeyConstraint("day", "site", "currency", name="pk_console_bill_day"),
    )
    op.create_index("ix_console_bill_day_site", "console_bill_day", ["site", "day"], unique=False)
    op.create_table(
        "console_correction",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("exception_id", sa.String(16), nullable=False),
        sa.Column("decided_at", UtcDateTime, nullable=False),
        sa.Column("action", sa.String(16), nullable=False),
        sa.Column("decided_by", sa.String(64), nullable=False),
        sa.Column("countersigned_by", sa.String(64)),
        sa.Column("snapshot", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "exception_id", "decided_at", name="pk_console_correction"),
    )
    op.create_index(
        "ix_console_correction_decided_at",
        "console_correction",
        ["site", "decided_at"],
        unique=False,
    )
    op.create_table(
        "console_device",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("device", sa.String(64), nullable=False),
        sa.Column("last_contact_at", UtcDateTime),
        sa.Column("clock_read_at", UtcDateTime),
        sa.Column("clock_ahead_s", sa.Float),
        sa.PrimaryKeyConstraint("site", "device", name="pk_console_device"),
    )
    op.create_table(
        "console_figures_day",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("operator", sa.String(64), nullable=False),
        sa.Column("device", sa.String(64), nullable=False),
        sa.Column("view", sa.String(64), nullable=False),
        sa.Column("species", sa.String(16), nullable=False),
        *_sums(_FIGURES),
        sa.PrimaryKeyConstraint(
            "site", "day", "operator", "device", "view", "species", name="pk_console_figures_day"
        ),
    )
    op.create_table(
        "console_figures_month",
        sa.Column("by", sa.String(16), nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("month", sa.Date, nullable=False),
        sa.Column("name", sa.String(64), nullable=False),
        *_sums(_FIGURES),
        sa.PrimaryKeyConstraint("by", "site", "month", "name", name="pk_console_figures_month"),
    )
    op.create_table(
        "console_note",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("state", sa.String(16)),
        sa.Column("asks", sa.String(16)),
        sa.Column("waits_for", sa.String(16)),
        sa.Column("since", UtcDateTime),
        sa.Column("open_since", UtcDateTime),
        sa.Column("signer", sa.String(64)),
        sa.Column("signed_at", UtcDateTime),
        sa.Column("trainee", sa.String(64)),
        sa.Column("refused", sa.Text),
        sa.Column("waiting_since", UtcDateTime),
        sa.Column("reminder", sa.Integer, nullable=False),
        sa.Column("answers", sa.Text, nullable=False),
        sa.Column("snapshot", sa.Text),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", name="pk_console_note"),
    )
    op.create_index(
        "ix_console_note_open_since",
        "console_note",
        ["open_since", "site", "study_instance_uid"],
        unique=False,
    )
    op.create_index(
        "ix_console_note_since",
        "console_note",
        ["site", "since", "study_instance_uid"],
        unique=False,
    )
    op.create_index(
        "ix_console_note_site_open_since",
        "console_note",
        ["site", "open_since", "study_instance_uid"],
        unique=False,
    )
    op.create_table(
        "console_question",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("room", sa.String(64)),
        sa.Column("code", sa.String(64), nullable=False),
        sa.Column("words", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint(
            "site", "study_instance_uid", "position", name="pk_console_question"
        ),
    )
    op.create_index(
        "ix_console_question_day",
        "console_question",
        ["day", "site", "study_instance_uid", "position"],
        unique=False,
    )
    op.create_index(
        "ix_console_question_site_day",
        "console_question",
        ["site", "day", "study_instance_uid", "position"],
        unique=False,
    )
    op.create_table(
        "console_rejects_day",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("operator", sa.String(64), nullable=False),
        sa.Column("device", sa.String(64), nullable=False),
        sa.Column("view", sa.String(64), nullable=False),
        sa.Column("species", sa.String(16), nullable=False),
        sa.Column("reason", sa.String(64), nullable=False),
        *_sums("images"),
        sa.PrimaryKeyConstraint(
            "site",
            "day",
            "operator",
            "device",
            "view",
            "species",
            "reason",
            name="pk_console_rejects_day",
        ),
    )
    op.create_table(
        "console_room_day",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("room", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("loose_exposures", sa.Integer, nullable=False),
        sa.Column("loose_images", sa.Integer, nullable=False),
        sa.Column("clocks", sa.Integer, nullable=False),
        sa.Column("snapshot", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "room", "day", name="pk_console_room_day"),
    )
    op.create_table(
        "console_storage_day",
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("site", sa.String(64), nullable=False),
        *_sums("images bytes"),
        sa.PrimaryKeyConstraint("day", "site", name="pk_console_storage_day"),
    )
    op.create_table(
        "console_study",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("room", sa.String(64)),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("patient_id", sa.String(64), nullable=False),
        sa.Column("patient_name", sa.String(64)),
        sa.Column("species", sa.String(16)),
        sa.Column("accession_number", sa.String(64)),
        sa.Column("plan_title", sa.Text),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("closed", sa.Boolean, nullable=False),
        sa.Column("training", sa.Boolean, nullable=False),
        sa.Column("changed_at", UtcDateTime, nullable=False),
        sa.Column("last_at", UtcDateTime),
        sa.Column("views", sa.Integer, nullable=False),
        sa.Column("views_done", sa.Integer, nullable=False),
        sa.Column("views_missing", sa.Integer, nullable=False),
        sa.Column("views_excused", sa.Integer, nullable=False),
        sa.Column("views_need_person", sa.Integer, nullable=False),
        sa.Column("images", sa.Integer, nullable=False),
        sa.Column("rejected", sa.Integer, nullable=False),
        sa.Column("exposures", sa.Integer, nullable=False),
        sa.Column("ended_early", sa.Integer, nullable=False),
        sa.Column("misfits", sa.Integer, nullable=False),
        sa.Column("questions", sa.Integer, nullable=False),
        sa.Column("kerma_mgy", sa.Float, nullable=False),
        sa.Column("dose_verdict", sa.String(16), nullable=False),
        sa.Column("figures", sa.Text, nullable=False),
        sa.Column("held", sa.Text, nullable=False),
        sa.Column("snapshot", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "study_instance_uid", name="pk_console_study"),
    )
    op.create_index(
        "ix_console_study_day", "console_study", ["site", "day", "study_instance_uid"], unique=False
    )
    op.create_index(
        "ix_console_study_room_day", "console_study", ["site", "room", "day"], unique=False
    )


def downgrade() -> None:
    for table in _TABLES:
        op.drop_table(table)
