"""How a device's clock is read from its text: columns, formats and zone."""

import re
from datetime import timedelta, timezone, tzinfo
from typing import Annotated, Any, ClassVar, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field

from schemas.base import Contract
from schemas.mappings.text_layout import ColumnName
from schemas.mappings.time_formats import known_format

_OFFSET = re.compile(r"^([+-])([01][0-9]):([0-5][0-9])$")


def _zone(value: str) -> str:
    zone_of(value)
    return value


def zone_of(name: str) -> tzinfo:
    """Give the zone of a name of the IANA database or of an offset (``+01:00``)."""
    parts = _OFFSET.match(name)
    if parts:
        size = timedelta(hours=int(parts[2]), minutes=int(parts[3]))
        return timezone(-size if parts[1] == "-" else size)
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError(
            "expected a zone of the IANA database (Europe/Vienna) or an offset (+01:00)"
        ) from error


class TimeReading(Contract):
    """The device's clock, in one column or several that are joined by a blank.

    A format is ``iso``, ``epoch_s``, ``epoch_ms`` or made of ``%d %m %Y %y %j %H %I %p %M %S %f
    %z``. Where more than one format fits and they disagree, the line is refused. An offset in the
    text outranks ``zone``.

    When clocks go back an hour is told twice: ``when_twice`` takes the ``first`` or ``second``
    of the two. When they go forward an hour is skipped: a clock that shows it was not set yet, so
    ``when_skipped`` reads it ``as_before``. Both are marked in the fact's source clock; ``refuse``
    puts the line to a person.
    """

    columns: Annotated[tuple[ColumnName, ...], Field(min_length=1, max_length=3)]
    formats: Annotated[
        tuple[Annotated[str, AfterValidator(known_format)], ...],
        Field(min_length=1, max_length=8),
    ]
    zone: Annotated[str, AfterValidator(_zone)]
    when_twice: Literal["first", "second", "refuse"] = "first"
    when_skipped: Literal["as_before", "refuse"] = "as_before"

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "columns": ["Date", "Time"],
            "formats": ["%d.%m.%Y %H:%M:%S"],
            "zone": "Europe/Vienna",
        },
    )
