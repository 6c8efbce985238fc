"""What people sent from the desk: claimed first, then told, so that nothing is decided twice."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from typing import Any, Final

from sqlalchemy import Connection, select, update

from services.console.charges.tables import CHARGE_DEED
from services.runtime.upsert import add_row

STUCK: Final = timedelta(minutes=1)
SLOW: Final = timedelta(minutes=5)
"""After which a result that does not come is worth a word. Both are invented."""


class Outcome(StrEnum):
    """``SENDING``: claimed, and not known to be told. ``SENT``: kept by intake, the result comes.
    ``UNKNOWN``: nobody answered, so it may be kept or not. ``MEANWHILE``: not sent, for it had
    changed. ``FAILED``: not kept, and the words say why."""

    SENDING = "sending"
    SENT = "sent"
    UNKNOWN = "unknown"
    MEANWHILE = "meanwhile"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing that a person sent; ``shown`` is what it said that it would do."""

    batch: str
    about: str
    what: str
    day: date | None
    person: str
    told_at: datetime
    outcome: Outcome
    words: str
    shown: str
    fact: str = ""

    @property
    def goes_again(self) -> bool:
        """Tell whether it can be sent once more: as the same fact, so that nothing is doubled."""
        return bool(self.fact) and self.outcome is not Outcome.SENT

    def is_stuck(self, now: datetime) -> bool:
        """Tell whether it is not known any more if this went out."""
        return self.outcome is Outcome.SENDING and now - self.told_at > STUCK

    def is_slow(self, now: datetime) -> bool:
        return now - self.told_at > SLOW


def newest_deeds(connection: Connection, site: str, abouts: Iterable[str]) -> dict[str, Deed]:
    """Give the newest deed about each of these that was sent, or is being sent."""
    wanted = sorted(set(abouts))
    if not wanted:
        return {}
    own = CHARGE_DEED.c
    rows = connection.execute(
        select(CHARGE_DEED)
        .where(
            own.site == site,
            own.about.in_(wanted),
            own.outcome.in_([Outcome.SENDING.value, Outcome.SENT.value]),
        )
        .order_by(own.told_at, own.batch)
    )
    return {row.about: _deed(row) for row in rows}


def deeds_of(connection: Connection, site: str, batch: str) -> list[Deed]:
    """Give what was sent with one confirmation."""
    own = CHARGE_DEED.c
    rows = connection.execute(
        select(CHARGE_DEED).where(own.site == site, own.batch == batch).order_by(own.about)
    )
    return [_deed(row) for row in rows]


def add_deed(connection: Connection, site: str, deed: Deed) -> bool:
    """Keep a deed; False where this confirmation did it before (a doubled tap)."""
    row = {
        "site": site,
        "batch": deed.batch,
        "about": deed.about,
        "what": deed.what,
        "day": deed.day,
        "person": deed.person,
        "told_at": deed.told_at,
        "outcome": deed.outcome.value,
        "words": deed.words,
        "shown": deed.shown,
        "fact": deed.fact,
    }
    return add_row(connection, CHARGE_DEED, row)


def end_deed(
    connection: Connection, site: str, deed: Deed, outcome: Outcome, words: str = ""
) -> None:
    """Say what became of a deed."""
    own = CHARGE_DEED.c
    connection.execute(
        update(CHARGE_DEED)
        .where(own.site == site, own.batch == deed.batch, own.about == deed.about)
        .values(outcome=outcome.value, words=words)
    )


def begun(
    batch: str, about: str, what: str, day: date | None, person: str, shown: str, fact: str = ""
) -> Deed:
    """Make a deed of this moment."""
    now = datetime.now(UTC)
    return Deed(batch, about, what, day, person, now, Outcome.SENDING, "", shown, fact)


def _deed(row: Any) -> Deed:
    return Deed(
        row.batch,
        row.about,
        row.what,
        row.day,
        row.person,
        row.told_at,
        Outcome(row.outcome),
        row.words,
        row.shown,
        row.fact,
    )
