"""What reconciliation keeps: the record's lines and answers, decisions, and what they did."""

from sqlalchemy import Column, Date, Index, Integer, String, Table, Text

from services.runtime.tables import METADATA, UtcDateTime

STUDY_DAY = Table(
    "charges_study_day",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
)
"""On which days a study has work or entries, so that a day is found without reading all."""

ANSWER = Table(
    "charges_answer",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("posting_key", String(160), primary_key=True),
    Column("outcome", String(16), nullable=False),
    Column("words", Text),
    Column("answered_at", UtcDateTime, nullable=False),
)
"""The record's newest answer to each posting of ours."""

LINE = Table(
    "charges_record_line",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("read_at", UtcDateTime, primary_key=True),
    Column("line_id", String(200), primary_key=True),
    Column("posting_key", String(160)),
    Column("body", Text, nullable=False),
    Index("ix_charges_record_line_site_posting_key", "site", "posting_key"),
    Index("ix_charges_record_line_site_line_id", "site", "line_id"),
)
"""The record's lines as they were read; only the newest whole reading of a day is kept."""

READING = Table(
    "charges_reading",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("read_at", UtcDateTime, primary_key=True),
    Column("part", Integer, primary_key=True),
    Column("parts", Integer, nullable=False),
)
"""Which parts of which readings are here. A reading counts once all of its parts are."""

DECISION = Table(
    "charges_decision",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("natural_key", String(300), primary_key=True),
    Column("day", Date, nullable=False),
    Column("exception_id", String(16), nullable=False),
    Column("kind", String(40), nullable=False),
    Column("person", String(64), nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("body", Text, nullable=False),
    Index("ix_charges_decision_site_day", "site", "day"),
)
"""What people decided and countersigned."""

EFFECT = Table(
    "charges_effect",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("exception_id", String(16), primary_key=True),
    Column("decided_at", UtcDateTime, primary_key=True),
    Column("day", Date, nullable=False),
    Column("line_id", String(200)),
    Column("posting_key", String(160)),
    Column("body", Text, nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    Index("ix_charges_effect_site_day", "site", "day"),
)
"""What a decision did, once. ``line_id`` and ``posting_key`` where it assigned a line."""

CORRECTION = Table(
    "charges_correction",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("posting_key", String(160), primary_key=True),
    Column("day", Date, nullable=False),
    Column("corrects", String(200), nullable=False),
    Column("body", Text, nullable=False),
    Index("ix_charges_correction_site_day", "site", "day"),
    Index("ix_charges_correction_site_corrects", "site", "corrects"),
)
"""The lines that decisions added to what the record should hold."""

DAY_DUE = Table(
    "charges_day_due",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("due_at", UtcDateTime, nullable=False),
    Index("ix_charges_day_due_due_at", "due_at"),
)
"""Days of which something changed, or will by the passing of time: told anew from ``due_at`` on."""

DAY_TOLD = Table(
    "charges_day_told",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("content_sha256", String(64), nullable=False),
)
"""The newest ``DayReconciled`` of each day, so that the same is never told twice in a row."""
