"""Reconciliation, and the audit of money whose rows are added only."""

import json
from datetime import date

import sqlalchemy as sa
from alembic import op

from services.runtime.tables import UtcDateTime

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_MESSAGE = "charges_audit: expected rows to be added, never changed or removed"

# A REPLACE on SQLite removes the row in its way without asking a trigger on DELETE.
_SQLITE = (
    f"""CREATE TRIGGER charges_audit_no_update BEFORE UPDATE ON charges_audit
        BEGIN SELECT RAISE(ABORT, '{_MESSAGE}'); END""",
    f"""CREATE TRIGGER charges_audit_no_delete BEFORE DELETE ON charges_audit
        BEGIN SELECT RAISE(ABORT, '{_MESSAGE}'); END""",
    """CREATE TRIGGER charges_audit_no_replace BEFORE INSERT ON charges_audit
       WHEN EXISTS (SELECT 1 FROM charges_audit WHERE site = NEW.site AND number = NEW.number)
       BEGIN SELECT RAISE(ABORT, 'charges_audit: expected a row of a new number'); END""",
)
_POSTGRESQL = (
    f"""CREATE FUNCTION charges_audit_refuse() RETURNS trigger LANGUAGE plpgsql AS
        $$ BEGIN RAISE EXCEPTION '{_MESSAGE}'; END $$""",
    """CREATE TRIGGER charges_audit_added_only BEFORE UPDATE OR DELETE OR TRUNCATE
       ON charges_audit FOR EACH STATEMENT EXECUTE FUNCTION charges_audit_refuse()""",
)


def upgrade() -> None:
    op.create_table(
        "charges_audit",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("at", UtcDateTime, nullable=False),
        sa.Column("actor", sa.String(160), nullable=False),
        sa.Column("action", sa.String(64), nullable=False),
        sa.Column("subject", sa.String(240), nullable=False),
        sa.Column("before", sa.Text, nullable=False),
        sa.Column("after", sa.Text, nullable=False),
        sa.Column("previous", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("site", "number", name="pk_charges_audit"),
    )
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in _SQLITE if is_sqlite else _POSTGRESQL:
        op.execute(statement)
    op.create_table(
        "charges_study_day",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("study_instance_uid", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("site", "day", "study_instance_uid", name="pk_charges_study_day"),
    )
    _fill_study_days()
    op.create_table(
        "charges_answer",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("posting_key", sa.String(160), nullable=False),
        sa.Column("outcome", sa.String(16), nullable=False),
        sa.Column("words", sa.Text),
        sa.Column("answered_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("site", "posting_key", name="pk_charges_answer"),
    )
    _create_lines()
    _create_decisions()
    op.create_table(
        "records_day_read",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("read_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("site", "day", name="pk_records_day_read"),
    )


def _create_lines() -> None:
    op.create_table(
        "charges_record_line",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("read_at", UtcDateTime, nullable=False),
        sa.Column("line_id", sa.String(200), nullable=False),
        sa.Column("posting_key", sa.String(160)),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "day", "read_at", "line_id", name="pk_charges_record_line"),
    )
    for column in ("posting_key", "line_id"):
        op.create_index(
            f"ix_charges_record_line_site_{column}", "charges_record_line", ["site", column]
        )
    op.create_table(
        "charges_reading",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("read_at", UtcDateTime, nullable=False),
        sa.Column("part", sa.Integer, nullable=False),
        sa.Column("parts", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("site", "day", "read_at", "part", name="pk_charges_reading"),
    )


def _create_decisions() -> None:
    op.create_table(
        "charges_decision",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("natural_key", sa.String(300), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("exception_id", sa.String(16), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("person", sa.String(64), nullable=False),
        sa.Column("at", UtcDateTime, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "natural_key", name="pk_charges_decision"),
    )
    op.create_table(
        "charges_effect",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("exception_id", sa.String(16), nullable=False),
        sa.Column("decided_at", UtcDateTime, nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("line_id", sa.String(200)),
        sa.Column("posting_key", sa.String(160)),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("made_at", UtcDateTime, nullable=False),
        sa.PrimaryKeyConstraint("site", "exception_id", "decided_at", name="pk_charges_effect"),
    )
    op.create_table(
        "charges_correction",
        sa.Column("site", sa.String(64), nullable=False),
        sa.Column("posting_key", sa.String(160), nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("corrects", sa.String(200), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("site", "posting_key", name="pk_charges_correction"),
    )
    for table in ("charges_decision", "charges_effect", "charges_correction"):
        op.create_index(f"ix_{table}_site_day", table, ["site", "day"])
    op.create_index(
        "ix_charges_correction_site_corrects", "charges_correction", ["site", "corrects"]
    )


def _fill_study_days() -> None:
    """Find the days of the studies and entries that are kept already."""
    bind = op.get_bind()
    day_of = sa.table("charges_study_day", sa.column("site"), sa.column("day", sa.Date),
                      sa.column("study_instance_uid"))  # fmt: skip
    found: set[tuple[str, date, str]] = set()
    for site, study, body in bind.execute(
        sa.text("SELECT site, study_instance_uid, assessment FROM charges_study")
    ):
        if body is not None:
            found.add((site, date.fromisoformat(json.loads(body)["day"]), study))
    for site, study, body in bind.execute(
        sa.text("SELECT site, study_instance_uid, body FROM charges_entry")
    ):
        found.add((site, date.fromisoformat(json.loads(body)["service_day"]), study))
    rows = [
        {"site": site, "day": day, "study_instance_uid": study}
        for site, day, study in sorted(found)
    ]
    if rows:
        bind.execute(sa.insert(day_of), rows)


def downgrade() -> None:
    for table in (
        "records_day_read",
        "charges_correction",
        "charges_effect",
        "charges_decision",
        "charges_reading",
        "charges_record_line",
        "charges_answer",
        "charges_study_day",
        "charges_audit",  # its triggers go with it
    ):
        op.drop_table(table)
    if op.get_bind().dialect.name != "sqlite":
        op.execute("DROP FUNCTION charges_audit_refuse()")
