"""The evening's day as data: who comes to which room, and what the record must hold of it."""

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

from demo.story import Day, Setback, Shot, Visit, plan_of, shots
from schemas.base import Contract, Money, Name, Text
from schemas.rule_files import read_rules

ZONE = ZoneInfo("Europe/Vienna")
"""Of all three hospitals, as ``demo/group`` has it."""


class Guest(Contract):
    """One appointment at one of the hospitals."""

    site: Name
    room: Name
    sum: Text
    held_eur: Money
    visit: Visit

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "site": "bramble",
            "room": "dental-1",
            "sum": "38.00 + cover 1.20",
            "held_eur": "39.20",
            "visit": Visit.EXAMPLES[0],
        },
    )

    @property
    def name(self) -> str:
        return self.visit.patient.name or self.visit.patient.patient_id

    @property
    def study(self) -> str:
        return self.visit.study_instance_uid


class Guests(Contract):
    """Everybody of the day."""

    seed: int
    guests: tuple[Guest, ...]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"seed": 1, "guests": [Guest.EXAMPLES[0]]},)


class LocalDay(Day):
    """A day whose visits' times are local."""

    def begins_at(self, visit: Visit) -> datetime:
        return datetime.combine(self.date, visit.at, ZONE).astimezone(UTC)

    def moment(self, hour: int, minute: int) -> datetime:
        return datetime.combine(self.date, time(hour, minute), ZONE).astimezone(UTC)


def yesterday() -> date:
    """Give the day that is told of: what is over, as no fact may come before it happened."""
    return datetime.now(ZONE).date() - timedelta(days=1)


class Evening:
    """The guests by name, and the day on which they come."""

    def __init__(self, day: date) -> None:
        read = read_rules(Guests, Path(__file__).with_name("guests.yaml"))
        self.guests = {guest.name: guest for guest in read.guests}
        self.day = LocalDay(
            date=day,
            seed=read.seed,
            generator_clock_ahead_s=0.0,
            generator_clock_drift_ppm=0.0,
            station_clock_ahead_s=0.0,
            visits=tuple(guest.visit for guest in read.guests),
        )

    def shots(self, guest: Guest) -> list[Shot]:
        """Give the visit's exposures in order; late images are marked."""
        return list(shots(self.day, guest.visit))

    def held_eur(self, site: str) -> Decimal:
        """Sum what the record must hold of a site."""
        return sum(
            (guest.held_eur for guest in self.guests.values() if guest.site == site), Decimal(0)
        )


def views_planned(guest: Guest) -> int:
    return len(plan_of(guest.visit).views)


def late_views(guest: Guest) -> list[str]:
    """Name the views whose image stays at the station."""
    return [view for view, events in guest.visit.events.items() if Setback.LATE in events]
