"""Tells what a room-day holds beside its studies, each time that it changed."""

import hashlib

from schemas.conclusions import RoomDayAssessed
from schemas.envelope import Source
from services.assessment.counting import Fact
from services.assessment.loose import holds_nothing
from services.assessment.room_day import RoomDay
from services.assessment.room_day_store import kept_room_day, write_room_day
from services.runtime.worker import Work


def tell_room_day(
    work: Work, where: RoomDay, found: RoomDayAssessed, cause: Fact | None, source: Source
) -> None:
    """Keep and send a room-day's conclusion where it is not what was said last.

    Nothing is said of a room-day that never held anything.
    """
    before = kept_room_day(work.connection, where)
    if before is None and holds_nothing(found):
        return
    told = found.model_dump_json(exclude={"revision"})
    digest = hashlib.sha256(told.encode()).hexdigest()
    if before is not None and before.digest == digest:
        return
    revision = before.revision + 1 if before is not None else found.revision
    now = found.model_copy(update={"revision": revision})
    write_room_day(work.connection, where, now, digest)
    if cause is not None:
        work.emit(cause.caused(now, source))
