"""What a room-day is assessed from, loaded from the facts kept."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import Connection, bindparam, select

from schemas.facts import SensorHanded
from services.assessment.animals import TOLD_AFTER
from services.assessment.counting import Fact, told
from services.assessment.patient_facts import facts_of_patients
from services.assessment.room_day import RoomDay
from services.assessment.store import FACT, parsed

_INSIDE = (
    (FACT.c.site == bindparam("site"))
    & FACT.c.room.in_(bindparam("rooms", expanding=True))
    & FACT.c.moment.between(bindparam("begin"), bindparam("end"))
)
_PLACED_ALONE = select(FACT.c.body, FACT.c.patient_id).where(
    _INSIDE, FACT.c.study_instance_uid.is_(None)
)
_NAMED = (
    select(FACT.c.study_instance_uid)
    .where(_INSIDE, FACT.c.study_instance_uid.is_not(None))
    .distinct()
)
# Asked for apart: given a query for the studies, or another beside it, PostgreSQL reads all facts.
_OF_STUDIES = select(FACT.c.body, FACT.c.patient_id).where(
    FACT.c.site == bindparam("site"),
    FACT.c.study_instance_uid.in_(bindparam("studies", expanding=True)),
)
_OF_ROOM_DAY = _PLACED_ALONE.union_all(_OF_STUDIES)
# With the rooms named, the index on site, room and moment finds them.
_HANDOVERS = select(FACT.c.body).where(_INSIDE, FACT.c.kind == SensorHanded.KIND)


def facts_of_room_day(
    connection: Connection,
    where: RoomDay,
    window: tuple[datetime, datetime],
    studies: Collection[str] = (),
    rooms: Collection[str] = (),
) -> list[Fact]:
    """Load what a room-day is assessed from: what stands in its window, and all facts of the
    studies named there or given; then the merges and descriptions of their patients.

    ``rooms`` are the site's: where a sensor went from room to room, those rooms are loaded too.
    """
    begin, end = window
    handovers = handovers_between(connection, where.site, begin, end, rooms)
    touched = [{h.from_room, h.to_room} for _, h in told(handovers, SensorHanded)]
    beside = set().union(*touched) if any(where.room in pair for pair in touched) else set()
    given = {
        "site": where.site,
        "rooms": sorted(beside | {where.room}),
        "begin": begin,
        "end": end,
    }
    named = connection.execute(_NAMED, given).scalars()
    rows = connection.execute(_OF_ROOM_DAY, given | {"studies": sorted({*studies, *named})}).all()
    facts = [*parsed(row.body for row in rows), *handovers]
    patients = {row.patient_id for row in rows if row.patient_id is not None}
    return [*facts, *facts_of_patients(connection, where.site, patients, end + TOLD_AFTER)]


def handovers_between(
    connection: Connection, site: str, begin: datetime, end: datetime, rooms: Collection[str]
) -> list[Fact]:
    """Load the handovers of sensors to any of these rooms in a time."""
    if len(rooms) < 2:
        return []
    given = {"site": site, "rooms": sorted(rooms), "begin": begin, "end": end}
    return parsed(connection.execute(_HANDOVERS, given).scalars())
