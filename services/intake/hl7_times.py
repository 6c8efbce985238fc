"""Dates and times of HL7 v2: ``YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ]``.

v2.5.1 section 2.A.22 (DTM; from memory).
"""

import re
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Final
from zoneinfo import ZoneInfo

from services.intake.hl7_errors import ErrorCode, Hl7Refused
from services.intake.hl7_message import Segment

_DTM: Final = re.compile(
    r"(?P<year>\d{4})(?:(?P<month>\d{2})(?:(?P<day>\d{2})(?:(?P<hour>\d{2})(?:(?P<minute>\d{2})"
    r"(?:(?P<second>\d{2})(?:\.(?P<fraction>\d{1,4}))?)?)?)?)?)?(?P<offset>[+-]\d{4})?\Z",
    re.ASCII,
)
_EXPECTED_TIME: Final = "a time to the minute at least (YYYYMMDDHHMM, with its zone if not ours)"


def moment(
    segment: Segment,
    field: int,
    zone: ZoneInfo,
    component: int = 1,
    *,
    day_is_enough: bool = False,
) -> datetime | None:
    """Read a time as UTC; None where none is told. A day that is enough begins at midnight.

    A time without an offset is of the site's own zone; of a doubled autumn hour, the first.
    Raises Hl7Refused for a text that is no time, or none to the minute.
    """
    text = segment.text(field, component)
    if not text:
        return None
    told = _DTM.match(text)
    whole = told is not None and (told["minute"] or (day_is_enough and told["day"]))
    if told is None or not whole:
        raise _refused(segment, field, component, text, _EXPECTED_TIME)
    fraction = (told["fraction"] or "").ljust(6, "0")
    try:
        local = datetime(
            int(told["year"]),
            int(told["month"]),
            int(told["day"]),
            int(told["hour"] or 0),
            int(told["minute"] or 0),
            int(told["second"] or 0),
            int(fraction),
            tzinfo=_offset(told["offset"]) if told["offset"] else zone,
        )
        return local.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise _refused(segment, field, component, text, _EXPECTED_TIME) from error


def whole_date(segment: Segment, field: int) -> date | None:
    """Read a date; None where none is told, or only a year or month."""
    text = segment.text(field)
    if not text:
        return None
    told = _DTM.match(text)
    expected = "a date (YYYYMMDD)"
    if told is None:
        raise _refused(segment, field, 1, text, expected)
    if told["day"] is None:
        return None
    try:
        return date(int(told["year"]), int(told["month"]), int(told["day"]))
    except ValueError as error:
        raise _refused(segment, field, 1, text, expected) from error


def written(at: datetime) -> str:
    """Write a moment to the millisecond with its offset."""
    return at.astimezone(UTC).strftime("%Y%m%d%H%M%S.") + f"{at.microsecond // 1000:03}+0000"


def _offset(text: str) -> timezone:
    hours, minutes = int(text[1:3]), int(text[3:5])
    if minutes > 59:
        raise ValueError("minutes of an offset are at most 59")
    delta = timedelta(hours=hours, minutes=minutes)
    return timezone(-delta if text[0] == "-" else delta)


def _refused(segment: Segment, field: int, component: int, text: str, expected: str) -> Hl7Refused:
    place = segment.place(field, component if component > 1 else None)
    return Hl7Refused(place, text, expected, ErrorCode.DATA_TYPE)
