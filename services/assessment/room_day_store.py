"""The newest conclusion on each room-day, beside its studies."""

from typing import Any

from sqlalchemy import Column, Connection, Date, Integer, String, Table, Text, bindparam, select

from schemas.conclusions import RoomDayAssessed
from services.assessment.room_day import RoomDay
from services.assessment.store import Kept
from services.runtime.tables import METADATA
from services.runtime.upsert import replace_row

ROOM_DAY = Table(
    "assessment_room_day",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("room", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("digest", String(64), nullable=False),
    Column("body", Text, nullable=False),
)


_KEPT = select(ROOM_DAY.c.revision, ROOM_DAY.c.digest).where(
    ROOM_DAY.c.site == bindparam("site"),
    ROOM_DAY.c.room == bindparam("room"),
    ROOM_DAY.c.day == bindparam("day"),
)


def kept_room_day(connection: Connection, where: RoomDay) -> Kept | None:
    """Read revision and digest of what was said last of a room-day, if anything."""
    row = connection.execute(
        _KEPT, {"site": where.site, "room": where.room, "day": where.day}
    ).one_or_none()
    return Kept(row.revision, row.digest) if row is not None else None


def write_room_day(
    connection: Connection, where: RoomDay, assessed: RoomDayAssessed, digest: str
) -> None:
    """Write what is said of a room-day in place of the last."""
    values: dict[str, Any] = {
        "site": where.site,
        "room": where.room,
        "day": where.day,
        "revision": assessed.revision,
        "digest": digest,
        "body": assessed.model_dump_json(),
    }
    replace_row(connection, ROOM_DAY, values)
