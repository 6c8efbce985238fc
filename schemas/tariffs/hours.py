"""When a site is open, in its own local time: what lies outside is after hours."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract

ClockTime = Annotated[str, Field(pattern=r"^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$")]
"""A local time of day, ``08:00``; ``24:00`` is the day's end."""


class Weekday(StrEnum):
    """In the order of ISO 8601: Monday is the first."""

    MONDAY = "monday"
    TUESDAY = "tuesday"
    WEDNESDAY = "wednesday"
    THURSDAY = "thursday"
    FRIDAY = "friday"
    SATURDAY = "saturday"
    SUNDAY = "sunday"


WEEK = tuple(Weekday)


class Open(Contract):
    """One stretch of a day: the opening minute belongs to it, the closing minute does not."""

    opens: ClockTime
    closes: ClockTime

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"opens": "08:00", "closes": "18:00"},)

    @model_validator(mode="after")
    def _closes_later(self) -> Self:
        if self.closes <= self.opens:
            raise ValueError("expected closes after opens; a night is two stretches of two days")
        return self


class OpeningHours(Contract):
    """The opening hours of a week. A day that is not listed is closed, as is each ``closed_on``."""

    week: Annotated[dict[Weekday, tuple[Open, ...]], Field(min_length=1)]
    closed_on: tuple[date, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"week": {"monday": [Open.EXAMPLES[0]]}, "closed_on": ["2026-12-25"]},
    )

    def is_open(self, local: datetime) -> bool:
        """Tell whether the site is open at a moment told in its local time."""
        if local.date() in self.closed_on:
            return False
        clock = f"{local:%H:%M}"
        stretches = self.week.get(WEEK[local.weekday()], ())
        return any(one.opens <= clock < one.closes for one in stretches)
