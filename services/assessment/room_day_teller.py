"""Tells what room-days hold beside their studies, each time that it changed."""

from collections.abc import Mapping

from schemas.conclusions import RoomDayAssessed
from schemas.envelope import Source
from services.assessment.counting import Fact
from services.assessment.loose import holds_nothing
from services.assessment.revisions import next_kept
from services.assessment.room_day import RoomDay
from services.assessment.room_day_store import kept_room_days, write_room_days
from services.runtime.worker import Work


def tell_room_days(
    work: Work, found: Mapping[RoomDay, tuple[RoomDayAssessed, Fact | None]], source: Source
) -> None:
    """Keep and send conclusions on room-days, each with its cause, that are not what was said last.

    Nothing is said of a room-day that never held anything.
    """
    kept = kept_room_days(work.connection, found)
    changed: list[tuple[RoomDay, RoomDayAssessed, str]] = []
    for where, (assessed, cause) in found.items():
        before = kept.get(where)
        if before is None and holds_nothing(assessed):
            continue
        now = next_kept(before, assessed)
        if now is None:
            continue
        told = assessed.model_copy(update={"revision": now.revision})
        changed.append((where, told, now.digest))
        if cause is not None:
            work.emit(cause.caused(told, source))
    write_room_days(work.connection, changed)
