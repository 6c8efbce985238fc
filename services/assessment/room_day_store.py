"""The newest conclusion on each room-day, beside its studies."""

from collections.abc import Collection, Iterable
from typing import Any

from sqlalchemy import Column, Connection, Date, Integer, String, Table, Text

from schemas.conclusions import RoomDayAssessed
from services.assessment.room_day import RoomDay
from services.assessment.store import Kept
from services.runtime.by_keys import rows_of
from services.runtime.tables import METADATA
from services.runtime.upsert import replace_rows

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

_COLUMNS = (*ROOM_DAY.primary_key, ROOM_DAY.c.revision, ROOM_DAY.c.digest)


def kept_room_days(connection: Connection, days: Collection[RoomDay]) -> dict[RoomDay, Kept]:
    """Read revision and digest of what was said last of room-days, if anything."""
    keys = [(where.site, where.room, where.day) for where in days]
    return {
        RoomDay(row.site, row.room, row.day): Kept(row.revision, row.digest)
        for row in rows_of(connection, _COLUMNS, tuple(ROOM_DAY.primary_key), keys)
    }


def write_room_days(
    connection: Connection, told: Iterable[tuple[RoomDay, RoomDayAssessed, str]]
) -> None:
    """Write what is said of room-days, each with its digest, in place of the last."""
    rows: list[dict[str, Any]] = [
        {
            "site": where.site,
            "room": where.room,
            "day": where.day,
            "revision": assessed.revision,
            "digest": digest,
            "body": assessed.model_dump_json(),
        }
        for where, assessed, digest in told
    ]
    replace_rows(connection, ROOM_DAY, rows)
