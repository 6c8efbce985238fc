"""Rooms and days: where a fact stands, which room-days it touches, where a study is at home."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from schemas.facts import ClockRead, ExposureEnded, ImageStored, OrderPlaced, SensorHanded
from schemas.group import Site
from services.assessment.counting import Fact, Told, told
from services.assessment.handovers import NO_HANDOVERS, Handovers

BEYOND: Final = timedelta(hours=3)
"""How far beyond its day's borders a room-day looks: work may run past midnight."""

NO_ROOM: Final = ""
"""Stands for the room of an image whose station has none."""


@dataclass(frozen=True, slots=True, order=True)
class RoomDay:
    """One room of one site on one day of the site's own calendar."""

    site: str
    room: str
    day: date

    @property
    def lock_name(self) -> str:
        return f"assessment:{self.site}:{self.room}:{self.day}"

    def window(self, zone: ZoneInfo) -> tuple[datetime, datetime]:
        """Begin and end of what is looked at, in UTC; a day may have 23 or 25 hours."""
        begin = datetime.combine(self.day, time(), zone).astimezone(UTC)
        end = datetime.combine(self.day + timedelta(days=1), time(), zone).astimezone(UTC)
        return begin - BEYOND, end + BEYOND


@dataclass(frozen=True, slots=True)
class Place:
    """Where and when a fact stands, by the clock of who told it."""

    room: str
    moment: datetime

    def room_days(self, site: Site) -> set[RoomDay]:
        """Give the room-days whose window holds this place."""
        return {
            RoomDay(site.name, self.room, moment.astimezone(site.zone).date())
            for moment in (self.moment - BEYOND, self.moment, self.moment + BEYOND)
        }


def place_of(fact: Fact, site: Site, handed: Handovers = NO_HANDOVERS) -> Place | None:
    """Tell where a fact stands; None for one that names no room.

    ``handed`` tells which images were made with a sensor that another room had lent.
    """
    match fact.payload:
        case ExposureEnded(room=room):
            return Place(room, fact.occurred_at)
        case ImageStored(acquired_at=acquired_at) as image:
            return Place(handed.room_of(image) or NO_ROOM, acquired_at)
        case SensorHanded(to_room=room):
            return Place(room, fact.occurred_at)
        case OrderPlaced(room=room, scheduled_at=scheduled_at):
            return Place(room, scheduled_at)
        case ClockRead(device=name):
            device = site.device(name)
            return Place((device and device.room) or NO_ROOM, fact.occurred_at)
        case _:
            return None


def placed(
    facts: Sequence[Fact],
    kind: type[Told],
    site: Site,
    where: RoomDay,
    handed: Handovers = NO_HANDOVERS,
) -> list[tuple[Fact, Told]]:
    """Pick the facts of one kind that stand in a room-day's window, in the order given."""
    begin, end = where.window(site.zone)
    return [
        (fact, payload)
        for fact, payload in told(facts, kind)
        if (place := place_of(fact, site, handed)) is not None
        and place.room == where.room
        and begin <= place.moment <= end
    ]


def home_of(facts: Sequence[Fact], site: Site, handed: Handovers = NO_HANDOVERS) -> RoomDay | None:
    """Tell where a study is assessed, from its own facts; None before an order or an image.

    The day is that of the first image, else the scheduled one; the room that of the first image
    with a room, else the ordered one.
    """
    images = sorted(
        (image for _, image in told(facts, ImageStored)),
        key=lambda image: (image.acquired_at, image.sop_instance_uid),
    )
    order = current_order(facts)
    if not images and order is None:
        return None
    rooms = [room for image in images if (room := handed.room_of(image))]
    if order is not None:
        rooms.append(order.room)
    moment = images[0].acquired_at if images or order is None else order.scheduled_at
    return RoomDay(site.name, rooms[0] if rooms else NO_ROOM, moment.astimezone(site.zone).date())


def current_order(facts: Iterable[Fact]) -> OrderPlaced | None:
    """Give the order that counts: the highest revision; of several orders the last by number."""
    orders = [order for _, order in told(facts, OrderPlaced)]
    return max(orders, key=lambda o: (o.order_id, o.revision), default=None)
