"""Matching of worklist keys: single value, list, wildcard, range and universal.

Pure. Rules of DICOM PS3.4 section C.2.2.2 and table K.6-1 (from memory): an empty key matches
everything; ``*`` and ``?`` are wildcards in texts; a date and a time that are both given with a
time range mean one period from the first to the second moment.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from schemas.errors import InvalidInput

_DATE = re.compile(r"^\d{8}$")
_TIME = re.compile(r"^\d{2}(\d{2}(\d{2}(\.\d{1,6})?)?)?$")
_FIRST_TIME, _LAST_TIME = "000000.000000", "235959.999999"


def text_matches(key: str, value: str, *, ignore_case: bool = False) -> bool:
    """Tell whether a text key matches a value; an unknown (empty) value matches only ``*``."""
    key = key.strip()
    if not key:
        return True
    if ignore_case:
        key, value = key.lower(), value.lower()
    return _fits(key, value)


def _fits(pattern: str, text: str) -> bool:
    """Match wildcards without going back further than the last ``*``: a regular expression takes
    hours for a key of many stars, and any station may send one."""
    at = place = 0
    star, taken_to = -1, 0
    while place < len(text):
        letter = pattern[at] if at < len(pattern) else ""
        if letter == "*":
            star, taken_to = at, place
            at += 1
        elif letter in {"?", text[place]}:
            at += 1
            place += 1
        elif star >= 0:
            taken_to += 1
            at, place = star + 1, taken_to
        else:
            return False
    return not pattern[at:].strip("*")


def any_matches(keys: Sequence[str], values: Iterable[str], *, ignore_case: bool = False) -> bool:
    """Tell whether one of several values matches one of the keys; no key matches everything."""
    wanted = [key for key in keys if key.strip()]
    if not wanted:
        return True
    offered = list(values)
    return any(
        text_matches(key, value, ignore_case=ignore_case) for key in wanted for value in offered
    )


def name_matches(key: str, value: str) -> bool:
    """Tell whether a person-name key matches; case and trailing delimiters do not count."""
    return text_matches(key.rstrip("^= "), value.rstrip("^= "), ignore_case=True)


@dataclass(frozen=True, slots=True)
class _Range:
    first: str
    last: str
    is_range: bool


@dataclass(frozen=True, slots=True)
class Period:
    """What the keys for start date and start time ask for, in the site's local time."""

    dates: _Range | None
    times: _Range | None

    def holds(self, local: datetime) -> bool:
        """Tell whether a local moment lies in the period."""
        date, time = f"{local:%Y%m%d}", f"{local:%H%M%S.%f}"
        if self.dates and self.times and self.times.is_range:
            first = (self.dates.first, self.times.first)
            last = (self.dates.last, self.times.last)
            return first <= (date, time) <= last
        in_dates = self.dates is None or self.dates.first <= date <= self.dates.last
        in_times = self.times is None or self.times.first <= time <= self.times.last
        return in_dates and in_times

    @property
    def first_date(self) -> datetime | None:
        return _day(self.dates.first) if self.dates else None

    @property
    def last_date(self) -> datetime | None:
        return _day(self.dates.last) if self.dates else None


def read_period(date_key: str, time_key: str) -> Period:
    """Read the two keys.

    Raises
    ------
    InvalidInput
        A key is no date (``YYYYMMDD``), no time (``HHMMSS``) and no range of them.
    """
    return Period(_dates(date_key.strip()), _times(time_key.strip()))


def _dates(key: str) -> _Range | None:
    if not key:
        return None
    first, dash, last = (part.strip().replace(".", "") for part in key.partition("-"))
    if not dash:
        last = first
    for part in (first, last):
        if part and not (_DATE.match(part) and _day(part)):
            raise InvalidInput(
                "ScheduledProcedureStepStartDate (0040,0002)", key, "YYYYMMDD or a range of two"
            )
    if not first and not last:
        return None
    return _Range(first or "00010101", last or "99991231", bool(dash))


def _times(key: str) -> _Range | None:
    if not key:
        return None
    first, dash, last = (part.strip().replace(":", "") for part in key.partition("-"))
    if not dash:
        last = first
    for part in (first, last):
        if part and not _TIME.match(part):
            raise InvalidInput(
                "ScheduledProcedureStepStartTime (0040,0003)", key, "HHMMSS or a range of two"
            )
    if not first and not last:
        return None
    # A time of less precision stands for all of its hour, minute or second.
    return _Range(first + _FIRST_TIME[len(first) :], last + _LAST_TIME[len(last) :], bool(dash))


def _day(text: str) -> datetime | None:
    try:
        return datetime.strptime(text, "%Y%m%d")  # noqa: DTZ007 - a calendar day has no zone
    except ValueError:
        return None
