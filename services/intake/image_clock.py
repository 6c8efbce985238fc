"""When an image says that it was made."""

import re
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from services.intake.image_values import Values

# DA and TM as senders write them; the older forms with dots and colons are still met.
_DATE = re.compile(r"^(\d{4})\.?(\d{2})\.?(\d{2})$")
_TIME = re.compile(r"^(\d{2}):?(\d{2})?:?(\d{2})?(?:\.(\d{1,6}))?$")
_DATE_TIME = re.compile(r"^(\d{8})(\d{2,6}(?:\.\d{1,6})?)([+-]\d{4})?$")
_OFFSET = re.compile(r"^([+-])(\d{2})(\d{2})$")


def acquisition_time(
    values: Values, zone: ZoneInfo, received_at: datetime
) -> tuple[datetime, str | None]:
    """Give the acquisition time and the source's own reading of it, as it was told.

    In order: Acquisition DateTime, acquisition date and time, content date and time. A time
    without offset is in Timezone Offset From UTC (0008,0201), else in the site's zone. Where
    nothing can be read, the time of receipt stands in and there is no reading.
    """
    offset = values.text("TimezoneOffsetFromUTC")
    moment = values.text("AcquisitionDateTime")
    if moment is not None:
        told = moment_of(moment, offset, zone)
        if told is not None:
            return told, moment
        values.drop("AcquisitionDateTime", moment, "a date and a time")
    for kind in ("Acquisition", "Content"):
        date, time = values.text(f"{kind}Date"), values.text(f"{kind}Time")
        if date is None or time is None:
            continue
        found = _moment(date, time, offset, zone)
        if found is not None:
            return found, reading_of(date, time, offset)
        values.drop(f"{kind}Time", f"{date} {time}", "a date and a time")
    values.drop("AcquisitionTime", None, "an acquisition time; the time of receipt stands in")
    return received_at, None


def reading_of(date: str | None, time: str | None, offset: str | None) -> str:
    """Put a source's own reading together, cut to the 64 characters that a fact keeps of it."""
    return " ".join(filter(None, (date, time, offset)))[:64]


def moment_of(text: str, offset: str | None, zone: ZoneInfo) -> datetime | None:
    """Read a DT (``20260302102003.5+0100``), or None; without an offset of its own it is in
    ``offset``, else in the zone."""
    parts = _DATE_TIME.match(text)
    return _moment(parts[1], parts[2], parts[3] or offset, zone) if parts else None


def content_time(
    values: Values, zone: ZoneInfo, received_at: datetime
) -> tuple[datetime, str | None]:
    """Give a report's content date and time, and its own reading; else the time of receipt."""
    offset = values.text("TimezoneOffsetFromUTC")
    date, time = values.text("ContentDate"), values.text("ContentTime")
    if date is not None and time is not None:
        found = _moment(date, time, offset, zone)
        if found is not None:
            return found, reading_of(date, time, offset)
    values.drop("ContentTime", f"{date} {time}", "a content time; the time of receipt stands in")
    return received_at, None


def _moment(date: str, time: str, offset: str | None, zone: ZoneInfo) -> datetime | None:
    day, hour = _DATE.match(date), _TIME.match(time)
    if not day or not hour:
        return None
    told_zone = timezone(_offset(offset)) if offset and _OFFSET.match(offset) else zone
    try:
        local = datetime(
            int(day[1]),
            int(day[2]),
            int(day[3]),
            int(hour[1]),
            int(hour[2] or 0),
            min(int(hour[3] or 0), 59),  # 60 is a leap second (PS3.5 table 6.2-1)
            int((hour[4] or "0").ljust(6, "0")),
            tzinfo=told_zone,
        )
        local.astimezone(UTC)  # year 1 or 9999 may leave the calendar
    except (ValueError, OverflowError):
        return None
    return local


def _offset(text: str) -> timedelta:
    parts = _OFFSET.match(text)
    if parts is None:
        return timedelta(0)
    size = timedelta(hours=int(parts[2]), minutes=int(parts[3]))
    # A day or more is no offset; the caller's time then fails to convert.
    size = min(size, timedelta(hours=23, minutes=59))
    return -size if parts[1] == "-" else size
