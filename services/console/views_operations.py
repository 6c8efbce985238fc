"""What the operations page shows of devices, storage and open questions."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Connection, func, select

from schemas.conclusions import ClockStand, CodesMissing, RoomDayAssessed
from services.console.paging import Page, from_place, page_of
from services.console.tables import DEVICE, QUESTION, ROOM_DAY, STORAGE_DAY, UNMAPPED, WHOLE_GROUP

_DAYS_BACK = 30
"""So many of the newest days are looked through for a clock; the number is invented."""


@dataclass(frozen=True, slots=True)
class DeviceLine:
    """A device as it was heard last. ``clock_ahead_s``: against our clock, when it was read."""

    device: str
    last_contact_at: datetime | None
    clock_read_at: datetime | None
    clock_ahead_s: float | None


@dataclass(frozen=True, slots=True)
class RoomClock:
    """How the clocks of a room stood on the last day that tells."""

    room: str
    day: date
    stand: ClockStand


@dataclass(frozen=True, slots=True)
class StoredDay:
    """What the images of a day take."""

    day: date
    images: int
    bytes: int


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """Something that only a person can settle."""

    site: str
    study_instance_uid: str
    day: date
    room: str | None
    code: str
    words: str


@dataclass(frozen=True, slots=True)
class MissingLine:
    """A posting that waits for a code of the record, with the line that is to be added."""

    site: str
    since: datetime
    told: CodesMissing


def devices(connection: Connection, site: str) -> list[DeviceLine]:
    """List the devices of a site that were ever heard."""
    rows = connection.execute(
        select(
            DEVICE.c.device,
            DEVICE.c.last_contact_at,
            DEVICE.c.clock_read_at,
            DEVICE.c.clock_ahead_s,
        )
        .where(DEVICE.c.site == site)
        .order_by(DEVICE.c.device)
    )
    return [DeviceLine(*row) for row in rows]


def clock_stands(connection: Connection, site: str, rooms: Sequence[str]) -> list[RoomClock]:
    """Give the newest stands of the clocks of each room, from the last days that it worked."""
    own = ROOM_DAY.c
    found: list[RoomClock] = []
    for room in rooms:
        rows = connection.execute(
            select(own.day, own.clocks, own.snapshot)
            .where(own.site == site, own.room == room)
            .order_by(own.day.desc())
            .limit(_DAYS_BACK)
        )
        for row in rows:
            if row.clocks:
                told = RoomDayAssessed.model_validate_json(row.snapshot)
                found += [RoomClock(room, row.day, stand) for stand in told.clocks]
                break
        rows.close()
    return found


def storage_by_day(
    connection: Connection, first: date, last: date, sites: Sequence[str] | None = None
) -> list[StoredDay]:
    """Sum what was stored on each day of a period; over all sites where none is named."""
    own = STORAGE_DAY.c
    query = select(own.day, func.sum(own.images), func.sum(own.bytes))
    query = query.where(own.day >= first, own.day <= last)
    query = query.where(own.site.in_([WHOLE_GROUP] if sites is None else sites))
    rows = connection.execute(query.group_by(own.day).order_by(own.day))
    return [StoredDay(day, int(images), int(size)) for day, images, size in rows]


def open_questions(
    connection: Connection, sites: Sequence[str] | None, after: str | None = None
) -> Page[OpenQuestion]:
    """List what only people can settle, the oldest first; of all sites where none is named.

    Raises InvalidInput for a place that no page gave.
    """
    query = select(QUESTION)
    if sites is not None:
        query = query.where(QUESTION.c.site.in_(sites))
    columns = [QUESTION.c.day, QUESTION.c.site, QUESTION.c.study_instance_uid, QUESTION.c.position]
    return page_of(
        connection.execute(from_place(query, columns, after)).all(),
        columns,
        lambda row: OpenQuestion(
            row.site, row.study_instance_uid, row.day, row.room, row.code, row.words
        ),
    )


def missing_codes(
    connection: Connection, sites: Sequence[str] | None, after: str | None = None
) -> Page[MissingLine]:
    """List the postings that wait for a code of the record, the oldest first.

    Raises InvalidInput for a place that no page gave.
    """
    own = UNMAPPED.c
    query = select(own.site, own.open_since, own.posting_key, own.snapshot)
    query = query.where(own.open_since.is_not(None))
    if sites is not None:
        query = query.where(own.site.in_(sites))
    columns = [own.open_since, own.site, own.posting_key]
    return page_of(
        connection.execute(from_place(query, columns, after)).all(),
        columns,
        lambda row: MissingLine(
            row.site, row.open_since, CodesMissing.model_validate_json(row.snapshot)
        ),
    )
