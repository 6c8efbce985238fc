"""The assessment of a room-day: a pure function of the set of its facts."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from schemas.conclusions import RoomDayAssessed, StudyAssessed
from schemas.envelope import Payload
from schemas.facts import FactWithdrawn, ImageStored, OrderCancelled, OrderPlaced
from schemas.group import Site
from services.assessment.animals import TOLD_AFTER, descriptions_by_animal
from services.assessment.counting import Fact, Facts, PatientIds, facts_that_count, told
from services.assessment.handovers import Handovers
from services.assessment.loose import assess_loose
from services.assessment.memory import Remembered
from services.assessment.one_study import OneStudy
from services.assessment.room_day import RoomDay, current_order, home_of
from services.assessment.room_links import LinkedRoom, LinkMemory, link_room
from services.assessment.room_view import view_of_room
from services.assessment.rules import Rules


class Memory:
    """What a worker remembers of one site: links and what is loose by room-day, and assessed
    studies."""

    def __init__(self) -> None:
        self.links = LinkMemory()
        self.loose: Remembered[RoomDay, LinkedRoom, RoomDayAssessed] = Remembered()
        self.studies: Remembered[tuple[str, str], tuple[object, ...], StudyAssessed] = Remembered()


@dataclass(frozen=True, slots=True)
class AssessedDay:
    """The studies at home in a room-day, by uid, and what it holds beside them; all at revision 1.

    ``loose`` is None where the room is not known.
    """

    studies: Mapping[str, StudyAssessed]
    loose: RoomDayAssessed | None


def assess_day(
    facts: Iterable[Fact],
    site: Site,
    where: RoomDay,
    rules: Rules,
    memory: Memory | None = None,
) -> AssessedDay:
    """Assess every study that is at home in this room-day, and what no study has.

    ``facts`` are those of the room within the day's window, and all facts of the studies that
    these name. Order and repetition change nothing; facts of other studies only help to link.
    With a ``memory``, always of the same site and rules, what has not changed is taken from it.
    """
    all_told = tuple(facts)
    counted = facts_that_count(all_told)
    ids = PatientIds(counted)
    of_study: dict[str, list[Fact]] = {}
    for fact, study in _with_study(counted, all_told):
        of_study.setdefault(study, []).append(fact)
    handed = Handovers.of(counted, site)
    at_home = [uid for uid, own in sorted(of_study.items()) if home_of(own, site, handed) == where]
    memory = memory or Memory()
    room = link_room(counted, site, where, memory.links)
    view = view_of_room(counted, site, where, ids)
    until = where.window(site.zone)[1] + TOLD_AFTER
    descriptions = descriptions_by_animal(counted, ids, until)
    assessed: dict[str, StudyAssessed] = {}
    for uid in at_home:
        own = Facts(of_study[uid])
        # Only what this study can look at, so that what is remembered rests on nothing else.
        seen_room = room.seen_by(
            uid, {image.sop_instance_uid for _, image in told(own, ImageStored)}
        )
        seen = view.seen_by(uid, {one.key for one in seen_room.exposures.get(uid, ())})
        order = current_order(own)
        animal = ids.current(order.patient.patient_id) if order is not None else ""
        told_of = descriptions.get(animal, ())
        one = OneStudy(uid, own, site, where, rules, seen_room, seen, ids, told_of)
        inputs = (where, one.facts, seen_room, seen, ids.merges(), told_of)
        assessed[uid] = memory.studies.get((where.site, uid), inputs, one.assess)
    loose = None
    if where.room:
        loose = memory.loose.get(where, room, lambda: assess_loose(room, site, where))
    return AssessedDay(assessed, loose)


def assess_room_day(
    facts: Iterable[Fact],
    site: Site,
    where: RoomDay,
    rules: Rules,
    memory: Memory | None = None,
) -> dict[str, StudyAssessed]:
    """Give the studies of ``assess_day``, by uid."""
    return dict(assess_day(facts, site, where, rules, memory).studies)


def _with_study(counted: Sequence[Fact], all_told: Sequence[Fact]) -> Iterator[tuple[Fact, str]]:
    """Pair each fact that is about a study with it; a cancellation is about its order's study,
    a withdrawal about that of the fact withdrawn."""
    study_of_order = {order.order_id: order.study_instance_uid for _, order in _orders(counted)}
    study_of_key = {fact.natural_key: _named_study(fact) for fact in all_told}
    for fact in counted:
        study = _named_study(fact)
        if isinstance(fact.payload, OrderCancelled):
            study = study_of_order.get(fact.payload.order_id)
        elif isinstance(fact.payload, FactWithdrawn):
            study = study_of_key.get(fact.payload.withdrawn_key) or study
        if study is not None:
            yield fact, study


def _named_study(fact: Fact) -> str | None:
    # Asked of the kind first: a model is slow to say that it lacks a field.
    if not _names_study(type(fact.payload)):
        return None
    study = getattr(fact.payload, "study_instance_uid", None)
    return study if isinstance(study, str) else None


@lru_cache(maxsize=256)
def _names_study(kind: type[Payload]) -> bool:
    return "study_instance_uid" in kind.model_fields


def _orders(facts: Sequence[Fact]) -> list[tuple[Fact, OrderPlaced]]:
    return sorted(told(facts, OrderPlaced), key=lambda pair: pair[1].revision)
