"""The console's read model: the newest of each study, note, bill and room-day, ready for pages.

Everything here follows from the messages heard, in whatever order, and may be made anew from them.
"""

from datetime import date, timedelta

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Date,
    Float,
    FromClause,
    Index,
    Integer,
    String,
    Table,
    Text,
    and_,
    text,
)

from services.console.dose_bins import BIN_COLUMNS
from services.runtime.tables import METADATA, UtcDateTime

COUNTS: tuple[str, ...] = (
    "images",
    "rejected",
    "repeats",
    "exposures",
    "ended_early",
    "deviations",
    "missing_views",
    "kerma_known",
    "kerma_ngy",
    "kap_known",
    "kap_ngycm2",
    *BIN_COLUMNS,
)
"""What is counted for each line of the figures; doses in whole nGy and nGy·cm², so that what was
added can be taken away again to the last digit."""

WHOLE_GROUP = ""
"""The site under which the sums of the whole group stand; it sorts before every other."""

BILL_COUNTS: tuple[str, ...] = (
    "studies",
    "total_cents",
    "posted_cents",
    "waiting",
    "waiting_cents",
    "refused",
    "exceptions",
    "not_charged",
)


def count_column(name: str) -> Column[int]:
    """Make a column of what is counted or summed, beginning at 0."""
    return Column(name, BigInteger, nullable=False, server_default="0")


STUDY = Table(
    "console_study",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("room", String(64)),
    Column("day", Date, nullable=False),
    Column("patient_id", String(64), nullable=False),
    Column("patient_name", String(64)),
    Column("species", String(16)),
    Column("accession_number", String(64)),
    Column("plan_title", Text),
    Column("state", String(16), nullable=False),
    Column("closed", Boolean, nullable=False),
    Column("training", Boolean, nullable=False),
    Column("changed_at", UtcDateTime, nullable=False),
    Column("last_at", UtcDateTime),
    Column("views", Integer, nullable=False),
    Column("views_done", Integer, nullable=False),
    Column("views_missing", Integer, nullable=False),
    Column("views_excused", Integer, nullable=False),
    Column("views_need_person", Integer, nullable=False),
    Column("images", Integer, nullable=False),
    Column("rejected", Integer, nullable=False),
    Column("exposures", Integer, nullable=False),
    Column("ended_early", Integer, nullable=False),
    Column("misfits", Integer, nullable=False),
    Column("questions", Integer, nullable=False),
    Column("kerma_mgy", Float, nullable=False),
    Column("dose_verdict", String(16), nullable=False),
    Column("figures", Text, nullable=False),
    Column("held", Text, nullable=False),
    Column("snapshot", Text, nullable=False),
    Index("ix_console_study_room_day", "site", "room", "day"),
    Index("ix_console_study_day", "site", "day", "study_instance_uid"),
)
"""``figures``: what the study has added to the figures. ``held``: the keys of the facts that its
newest revision rests on, one a line. ``changed_at``: when that revision was told."""

ARRIVAL = Table(
    "console_arrival",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("natural_key", String(300), primary_key=True),
    Column("kind", String(40), nullable=False),
    Column("room", String(64)),
    Column("study_instance_uid", String(64)),
    Column("day", Date, nullable=False),
    Column("occurred_at", UtcDateTime, nullable=False),
    Column("received_at", UtcDateTime, nullable=False),
    Column("told", Text, nullable=False),
    Index("ix_console_arrival_room_day", "site", "room", "day"),
    Index("ix_console_arrival_study", "site", "study_instance_uid"),
    Index("ix_console_arrival_received_at", "received_at"),
)
"""Exposures, images and readiness checks as they were told, before anything is concluded."""

QUESTION = Table(
    "console_question",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("day", Date, nullable=False),
    Column("room", String(64)),
    Column("code", String(64), nullable=False),
    Column("words", Text, nullable=False),
    Index("ix_console_question_day", "day", "site", "study_instance_uid", "position"),
    Index("ix_console_question_site_day", "site", "day", "study_instance_uid", "position"),
)

ROOM_DAY = Table(
    "console_room_day",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("room", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("loose_exposures", Integer, nullable=False),
    Column("loose_images", Integer, nullable=False),
    Column("clocks", Integer, nullable=False),
    Column("snapshot", Text, nullable=False),
)

NOTE = Table(
    "console_note",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("state", String(16)),
    Column("asks", String(16)),
    Column("waits_for", String(16)),
    Column("since", UtcDateTime),
    Column("open_since", UtcDateTime),
    Column("signer", String(64)),
    Column("signed_at", UtcDateTime),
    Column("trainee", String(64)),
    Column("refused", Text),
    Column("waiting_since", UtcDateTime),
    Column("reminder", Integer, nullable=False),
    Column("answers", Text, nullable=False),
    Column("snapshot", Text),
    Index("ix_console_note_open_since", "open_since", "site", "study_instance_uid"),
    Index("ix_console_note_site_open_since", "site", "open_since", "study_instance_uid"),
    Index("ix_console_note_since", "site", "since", "study_instance_uid"),
    Index(
        "ix_console_note_refused",
        "site",
        "since",
        "study_instance_uid",
        sqlite_where=text("refused IS NOT NULL"),
        postgresql_where=text("refused IS NOT NULL"),
    ),
)
"""``asks``: signature, cosignature or addendum, whichever the note lacks; ``waits_for``: the same
once it is a person's turn. ``since``: from when on its age counts; ``open_since``: the same while
it waits for a person. ``refused``: the record's words, where it refused the newest posting that it
has answered. ``waiting_since`` and ``reminder`` are of the last reminder told."""

NOTE_REVISION = Table(
    "console_note_revision",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("content_sha256", String(64), nullable=False),
    Column("state", String(16), nullable=False),
    Column("told_at", UtcDateTime, nullable=False),
    Column("sections", Text, nullable=False),
    Index("ix_console_note_revision_told_at", "told_at"),
)
"""The sections of a note's newest revisions, to tell what has changed since one was read."""

BILL = Table(
    "console_bill",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("day", Date),
    Column("currency", String(3)),
    Column("due", Boolean, nullable=False),
    *(count_column(name) for name in BILL_COUNTS),
    Column("exception_day", Date),
    Column("answers", Text, nullable=False),
    Column("snapshot", Text),
    Index("ix_console_bill_day", "site", "day", "study_instance_uid"),
    Index("ix_console_bill_exception_day", "exception_day", "site", "study_instance_uid"),
    Index("ix_console_bill_site_exception_day", "site", "exception_day", "study_instance_uid"),
)
"""A study's charges. ``answers``: the record's newest answer to each posting. ``day`` is the
study's, unknown until its assessment was heard; ``exception_day`` the same where there are
exceptions."""

BILL_DAY = Table(
    "console_bill_day",
    METADATA,
    Column("day", Date, primary_key=True),
    Column("site", String(64), primary_key=True),
    Column("currency", String(3), primary_key=True),
    *(count_column(name) for name in BILL_COUNTS),
    Index("ix_console_bill_day_site", "site", "day"),
)
"""The sums of each day; of the whole group under an empty site."""

BILL_MONTH = Table(
    "console_bill_month",
    METADATA,
    Column("month", Date, primary_key=True),
    Column("site", String(64), primary_key=True),
    Column("currency", String(3), primary_key=True),
    *(count_column(name) for name in BILL_COUNTS),
)

UNMAPPED = Table(
    "console_unmapped",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("posting_key", String(160), primary_key=True),
    Column("study_instance_uid", String(64), nullable=False),
    Column("told_at", UtcDateTime, nullable=False),
    Column("open_since", UtcDateTime),
    Column("snapshot", Text, nullable=False),
    Index("ix_console_unmapped_study", "site", "study_instance_uid"),
    Index("ix_console_unmapped_open_since", "open_since", "site", "posting_key"),
    Index("ix_console_unmapped_site_open_since", "site", "open_since", "posting_key"),
)
"""Postings that wait for a code of the record. ``open_since``: none once it was answered since."""

CORRECTION = Table(
    "console_correction",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("exception_id", String(16), primary_key=True),
    Column("decided_at", UtcDateTime, primary_key=True),
    Column("action", String(16), nullable=False),
    Column("decided_by", String(64), nullable=False),
    Column("countersigned_by", String(64)),
    Column("snapshot", Text, nullable=False),
    Index("ix_console_correction_decided_at", "site", "decided_at"),
)
"""What people decided about exceptions of reconciliation, as it took effect."""

DEVICE = Table(
    "console_device",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("device", String(64), primary_key=True),
    Column("last_contact_at", UtcDateTime),
    Column("clock_read_at", UtcDateTime),
    Column("clock_ahead_s", Float),
)
"""``clock_ahead_s``: how far the device's clock was ahead of ours when it was read last."""

STORAGE_DAY = Table(
    "console_storage_day",
    METADATA,
    Column("day", Date, primary_key=True),
    Column("site", String(64), primary_key=True),
    count_column("images"),
    count_column("bytes"),
)
"""What was stored of the images of each day; of the whole group under an empty site."""

FIGURES_DAY = Table(
    "console_figures_day",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("operator", String(64), primary_key=True),
    Column("device", String(64), primary_key=True),
    Column("view", String(64), primary_key=True),
    Column("species", String(16), primary_key=True),
    *(count_column(name) for name in COUNTS),
)
"""Empty text stands for what was not told."""

FIGURES_MONTH = Table(
    "console_figures_month",
    METADATA,
    Column("by", String(16), primary_key=True),
    Column("site", String(64), primary_key=True),
    Column("month", Date, primary_key=True),
    Column("name", String(64), primary_key=True),
    *(count_column(name) for name in COUNTS),
)
"""The same by one thing at a time, by the month; of the whole group under an empty site."""

REJECTS_DAY = Table(
    "console_rejects_day",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("operator", String(64), primary_key=True),
    Column("device", String(64), primary_key=True),
    Column("view", String(64), primary_key=True),
    Column("species", String(16), primary_key=True),
    Column("reason", String(64), primary_key=True),
    count_column("images"),
)


def with_study(table: Table) -> FromClause:
    """Join rows that name a study to its own row, where one is known."""
    same = and_(
        STUDY.c.site == table.c.site, STUDY.c.study_instance_uid == table.c.study_instance_uid
    )
    return table.outerjoin(STUDY, same)


def month_of(day: date) -> date:
    """Give the first day of a day's month, which stands for the month."""
    return day.replace(day=1)


def end_of_month(day: date) -> date:
    """Give the last day of a day's month."""
    return month_of(month_of(day) + timedelta(days=32)) - timedelta(days=1)
