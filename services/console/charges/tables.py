"""The charge desk's part of the read model, and what people have sent from it."""

from typing import Final

from sqlalchemy import BigInteger, Column, Date, Index, Integer, String, Table, Text

from services.runtime.tables import METADATA, UtcDateTime

COUNTS: Final = (
    "images_seen",
    "images_charged",
    "images_not_charged",
    "exceptions",
    "faults",
)
CENTS: Final = (
    "priced",
    "not_due",
    "due",
    "corrections",
    "posted",
    "waiting",
    "refused",
    "differences",
    "held",
    "unread",
    "outstanding",
)
"""Amounts in hundredths, each under its name and ``_cents``."""
SUMS: Final = (*COUNTS, *(f"{name}_cents" for name in CENTS))

CHARGE_DAY = Table(
    "console_charge_day",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("currency", String(3), primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("told_at", UtcDateTime, nullable=False),
    Column("read_at", UtcDateTime),
    *(Column(name, BigInteger, nullable=False) for name in SUMS),
    Column("snapshot", Text, nullable=False),
    Index("ix_console_charge_day_day", "day", "site"),
)
"""The newest ``DayReconciled``, a row for each currency; one of an empty currency where nothing is
left of the day. ``exceptions``: those that nobody accepted. ``faults``: 1 where it does not
balance."""

CHARGE_MONTH = Table(
    "console_charge_month",
    METADATA,
    Column("month", Date, primary_key=True),
    Column("site", String(64), primary_key=True),
    Column("currency", String(3), primary_key=True),
    *(Column(name, BigInteger, nullable=False) for name in SUMS),
)
"""The sums of each month, kept beside the days': a group has a thousand sites of thirty days."""

CHARGE_EXCEPTION = Table(
    "console_charge_exception",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("exception_id", String(16), primary_key=True),
    Column("currency", String(3), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("status", String(32), nullable=False),
    Column("open_day", Date),
    Column("at_stake_cents", BigInteger, nullable=False),
    Column("told_at", UtcDateTime, nullable=False),
    Column("snapshot", Text, nullable=False),
    Index("ix_console_charge_exception_id", "site", "exception_id"),
    Index("ix_console_charge_exception_open", "site", "open_day", "exception_id"),
    Index("ix_console_charge_exception_day", "site", "day", "at_stake_cents", "exception_id"),
)
"""``open_day``: the day while nobody accepted it."""

CHARGE_DEED = Table(
    "console_charge_deed",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("batch", String(64), primary_key=True),
    Column("about", String(64), primary_key=True),
    Column("what", String(16), nullable=False),
    Column("day", Date),
    Column("person", String(130), nullable=False),
    Column("told_at", UtcDateTime, nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("words", Text, nullable=False),
    Column("shown", Text, nullable=False),
    Column("fact", Text, nullable=False),
    Index("ix_console_charge_deed_about", "site", "about", "told_at"),
)
"""What was sent from the desk: an exception's name or a study, by whom, and what became of it,
with the fact itself, to send it again. Kept beside the read model: it follows from no message."""
