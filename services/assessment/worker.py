"""The assessment worker: facts in, the assessments that they change out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from functools import partial

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload, Source
from schemas.facts import (
    ImageStored,
    PatientDescribed,
    PatientMerged,
    SensorHanded,
)
from schemas.group import Group, Site
from services.assessment import fact_names, store
from services.assessment.counting import Fact, told
from services.assessment.fact_locks import locks_of
from services.assessment.fact_rows import NAMED_BY_KEY, fact_row
from services.assessment.handovers import NO_HANDOVERS, Handovers
from services.assessment.memory import Remembered
from services.assessment.patient_doses import Told, completed
from services.assessment.patient_facts import studies_of_patients
from services.assessment.revision_changes import link_changes
from services.assessment.revisions import next_kept
from services.assessment.room_day import Place, RoomDay, home_of, place_of
from services.assessment.room_day_facts import facts_of_room_day, handovers_between
from services.assessment.room_day_teller import tell_room_days
from services.assessment.rules import Rules
from services.assessment.study import AssessedDay, Memory, assess_day
from services.runtime.worker import Work

SOURCE = Source(kind="service", name="assessment")

_A_DAY = timedelta(days=1)


class WorkerMemory:
    """What a worker remembers: by site what assessing needs, and of each study what was said last
    and from what it was concluded."""

    def __init__(self) -> None:
        self._sites: dict[str, Memory] = {}
        self.settled: Remembered[tuple[str, str], tuple[store.Kept | None, StudyAssessed], bool] = (
            Remembered()
        )
        self.said: Remembered[tuple[str, str], store.Kept, StudyAssessed | None] = Remembered()

    def of_site(self, site: str) -> Memory:
        return self._sites.setdefault(site, Memory())


@dataclass(frozen=True, slots=True)
class AssessmentHandler:
    """Handles ``channels.ASSESSMENT``. ``rules`` are by site."""

    group: Group
    rules: Mapping[str, Rules]
    memory: WorkerMemory = field(default_factory=WorkerMemory)

    def __call__(self, work: Work, messages: Sequence[Message[Payload]]) -> None:
        """Keep the batch's facts and assess each room-day that they touch once.

        Locks are taken in one order, names before room-days before patients, so that no two
        workers wait for each other. Under the lock on a name nobody else can tell more of it
        unseen.
        """
        by_site = {
            site: [m for m in messages if m.site == site] for site in {m.site for m in messages}
        }
        rows = [fact_row(m, self.group.site(m.site)) for m in messages]
        work.lock_all(locks_of(messages, rows))
        new = store.add_facts(work.connection, rows)
        due: dict[RoomDay, _Due] = {}
        for site, facts in sorted(by_site.items()):
            fresh = [f for f in facts if (site, f.natural_key) in new]
            self._find_due(work, self.group.site(site), fresh, due)
        work.lock_all(where.lock_name for where in sorted(due))
        days = {where: self._assess(work, where, due[where]) for where in sorted(due)}
        loose = {
            where: (day.loose, due[where].last)
            for where, day in days.items()
            if day.loose is not None
        }
        tell_room_days(work, loose, SOURCE)
        self._tell(work, self._not_told(work, days, due))

    def _find_due(
        self, work: Work, site: Site, fresh: Sequence[Fact], due: "dict[RoomDay, _Due]"
    ) -> None:
        """Find the room-days that new facts touch, and what gave rise to it."""
        causes = _studies_touched(work, site, fresh)
        by_study: dict[str, list[Fact]] = {study: [] for study in causes}
        for fact in store.facts_of_studies(work.connection, site.name, causes):
            # By the row's study, which a cancellation does not name itself.
            study = getattr(fact.payload, "study_instance_uid", None)
            if study in by_study:
                by_study[study].append(fact)
        for study, facts in by_study.items():
            handed = _handed(work, site, facts)
            home = home_of(facts, site, handed)
            for where in _room_days(facts, site, handed) | ({home} if home else set()):
                due.setdefault(where, _Due()).by_study[study] = causes[study]
                due[where].last = causes[study]
        handed = _handed(work, site, fresh)
        for fact in fresh:
            for where in _room_days([fact], site, handed):
                due.setdefault(where, _Due()).last = fact

    def _assess(self, work: Work, where: RoomDay, due: "_Due") -> AssessedDay:
        site = self.group.site(where.site)
        facts = facts_of_room_day(
            work.connection, where, where.window(site.zone), tuple(due.by_study), site.rooms
        )
        memory = self.memory.of_site(where.site)
        return assess_day(facts, site, where, self.rules[where.site], memory)

    def _not_told(
        self, work: Work, days: Mapping[RoomDay, AssessedDay], due: "Mapping[RoomDay, _Due]"
    ) -> list[Told]:
        """Give the studies of which it is not known that this was told."""
        keys = [(where.site, uid) for where, day in days.items() for uid in day.studies]
        kept = store.kept_studies(work.connection, keys)
        return [
            Told(where, study, due[where].by_study.get(uid) or due[where].last)
            for where, day in days.items()
            for uid, study in sorted(day.studies.items())
            for key in [(where.site, uid)]
            if not self.memory.settled.get(key, (kept.get(key), study), _not_yet)
        ]

    def _tell(self, work: Work, assessed: Sequence[Told]) -> None:
        """Complete studies with their patients' doses; write and tell those that changed."""
        bases = {(one.where.site, one.study.study_instance_uid): one.study for one in assessed}
        done = completed(work, assessed, self.rules)
        # Only now: a patient's lock guards what another worker may tell of a later study.
        keys = {(one.where.site, one.study.study_instance_uid) for one in done}
        kept = store.kept_studies(work.connection, keys)
        changed: list[tuple[RoomDay, StudyAssessed, str]] = []
        for one in done:
            site, uid = one.where.site, one.study.study_instance_uid
            before = kept.get((site, uid))
            now = next_kept(before, one.study)
            if now is not None:
                changed.append((one.where, self._say(work, one, before, now), now.digest))
            if (site, uid) in bases:
                # Also if this is rolled back: it is asked for by what the table then holds.
                self.memory.settled.put((site, uid), (now or before, bases[site, uid]), True)
        store.write_studies(work.connection, changed)

    def _say(
        self, work: Work, one: Told, before: store.Kept | None, now: store.Kept
    ) -> StudyAssessed:
        """Send a study at its next revision; give it as it is told, still to be written."""
        site, uid = one.where.site, one.study.study_instance_uid
        last = self._last(work, site, uid, before) if before else None
        changes = link_changes(last, one.study) if last is not None else ()
        study = one.study.model_copy(update={"revision": now.revision, "changes": changes})
        self.memory.said.put((site, uid), now, study)
        if one.cause is not None:
            work.emit(one.cause.caused(study, SOURCE))
        return study

    def _last(self, work: Work, site: str, uid: str, kept: store.Kept) -> StudyAssessed | None:
        """Give what was said last."""
        read = partial(store.kept_assessment, work.connection, site, uid)
        return self.memory.said.get((site, uid), kept, read)


class _Due:
    """A room-day to assess: the studies touched with the fact that did it, and the last fact."""

    def __init__(self) -> None:
        self.by_study: dict[str, Fact] = {}
        self.last: Fact | None = None


def _not_yet() -> bool:
    return False


def _studies_touched(work: Work, site: Site, fresh: Sequence[Fact]) -> dict[str, Fact]:
    """Tell the studies that new facts are about, each with the last such fact."""
    causes: dict[str, Fact] = {}
    for fact in fresh:
        row = fact_row(fact, site)
        studies = {row.study} if row.study else set()
        names = {name for name in (row.about, row.natural_key) if name}
        if row.about is not None or row.kind in NAMED_BY_KEY:
            studies |= fact_names.settle_names(work.connection, site.name, names)
        if isinstance(fact.payload, PatientMerged):
            retired = {fact.payload.retired_patient_id}
            studies |= studies_of_patients(work.connection, site.name, retired)
        if isinstance(fact.payload, PatientDescribed):
            described = {fact.payload.patient.patient_id}
            studies |= studies_of_patients(work.connection, site.name, described, fact.occurred_at)
        causes |= dict.fromkeys(studies, fact)
    return causes


def _room_days(facts: Sequence[Fact], site: Site, handed: Handovers) -> set[RoomDay]:
    places = [place for fact in facts if (place := place_of(fact, site, handed)) is not None]
    # A handover is told to the room that gave the sensor away, too.
    places += [Place(h.from_room, fact.occurred_at) for fact, h in told(facts, SensorHanded)]
    return {where for place in places for where in place.room_days(site)}


def _handed(work: Work, site: Site, facts: Sequence[Fact]) -> Handovers:
    """Load the handovers on which the rooms of these images rest."""
    taken = [i.acquired_at for _, i in told(facts, ImageStored) if i.sensor is not None]
    if not taken:
        return NO_HANDOVERS
    begin = min(taken) - _A_DAY
    found = handovers_between(work.connection, site.name, begin, max(taken), site.rooms)
    return Handovers.of(found, site)
