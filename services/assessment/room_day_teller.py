"""Tells what a room-day holds beside its studies, each time that it changed."""

from schemas.conclusions import RoomDayAssessed
from schemas.envelope import Source
from services.assessment.counting import Fact
from services.assessment.loose import holds_nothing
from services.assessment.revisions import next_kept
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
    now = next_kept(before, found)
    if now is None:
        return
    told = found.model_copy(update={"revision": now.revision})
    write_room_day(work.connection, where, told, now.digest)
    if cause is not None:
        work.emit(cause.caused(told, source))
