"""What a device's clock says as text, as a moment in UTC. Pure."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from schemas.errors import InvalidInput
from schemas.mappings import TimeReading, zone_of

_LONGEST = 40
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_WHOLE = re.compile(r"^[0-9]{1,14}(?:\.[0-9]{1,6})?$")
_ISO = re.compile(
    r"^[0-9]{4}-?[0-9]{2}-?[0-9]{2}[T ][0-9:]{4,8}(?:[.,][0-9]{1,6})?(Z|[+-][0-9:]{4,6})?$"
)

TWICE_FIRST = " [hour told twice: first taken]"
TWICE_SECOND = " [hour told twice: second taken]"
SKIPPED = " [skipped hour: as before it]"


@dataclass(frozen=True, slots=True)
class Reading:
    """A moment, and the clock's own reading of it with a mark where the zone left it unsure."""

    at: datetime
    as_told: str
    mark: str = ""

    @property
    def source_clock(self) -> str:
        """Both, as a fact's ``source_clock`` keeps them; cut to its 64 characters."""
        return (self.as_told + self.mark)[:64]


def read_clock(text: str, column: str, reading: TimeReading) -> Reading:
    """Read a clock by the first of the formats that fits.

    Raises InvalidInput, naming ``column``: no format fits, several do and disagree, or the time
    is one that the mapping refuses when clocks change.
    """
    if not text or len(text) > _LONGEST:
        raise InvalidInput(column, text, _expected(reading))
    found = {moment for one in reading.formats if (moment := _parsed(text, one)) is not None}
    if not found:
        raise InvalidInput(column, text, _expected(reading))
    if len(found) > 1:
        raise InvalidInput(
            column, text, f"a time that {' and '.join(reading.formats)} read as the same one"
        )
    moment = found.pop()
    try:
        if moment.tzinfo is not None:
            return Reading(moment.astimezone(UTC), text)
        return _resolved(moment, text, column, reading)
    except OverflowError as error:
        raise InvalidInput(column, text, "a time between the years 1 and 9999 in UTC") from error


def _expected(reading: TimeReading) -> str:
    return f"a time as {' or '.join(reading.formats)} tells it"


def _parsed(text: str, form: str) -> datetime | None:
    try:
        if form == "iso":
            return datetime.fromisoformat(text) if _ISO.match(text) else None
        if form in {"epoch_s", "epoch_ms"}:
            if not _WHOLE.match(text):
                return None
            # By whole microseconds, so that no digit is lost to a float.
            whole, _, part = text.partition(".")
            unit = 1_000_000 if form == "epoch_s" else 1_000
            micros = int(whole) * unit + int(part.ljust(6, "0") or "0") * unit // 1_000_000
            return _EPOCH + timedelta(microseconds=micros)
        return datetime.strptime(text, form)  # noqa: DTZ007 - the zone follows from the mapping
    except (ValueError, OverflowError):
        return None


def _resolved(local: datetime, text: str, column: str, reading: TimeReading) -> Reading:
    """Put a time without offset into the device's zone (folds as in PEP 495)."""
    zone: tzinfo = zone_of(reading.zone)
    first, second = local.replace(tzinfo=zone), local.replace(tzinfo=zone, fold=1)
    before, after = first.utcoffset(), second.utcoffset()
    if before is None or after is None or before == after:
        return Reading(first.astimezone(UTC), text)
    if before > after:
        if reading.when_twice == "refuse":
            raise InvalidInput(column, text, f"a time that {reading.zone} has once")
        if reading.when_twice == "second":
            return Reading(second.astimezone(UTC), text, TWICE_SECOND)
        return Reading(first.astimezone(UTC), text, TWICE_FIRST)
    if reading.when_skipped == "refuse":
        raise InvalidInput(column, text, f"a time that {reading.zone} has")
    return Reading(first.astimezone(UTC), text, SKIPPED)
