"""Sensors as things that wear: what each has done and where it is, from the facts alone. Pure.

No maker's limit stands here: how often a sensor wants a constancy test is the site's own rule.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Final

from schemas.envelope import Message, Payload
from schemas.facts import (
    ExposureEnded,
    FactWithdrawn,
    ImageStored,
    OrderPlaced,
    PatientMerged,
    ReadinessChecked,
    SensorFaulted,
    SensorHanded,
    SensorTested,
)
from schemas.group import Sensor, Site

Fact = Message[Payload]

KINDS: Final = tuple(
    kind.KIND
    for kind in (
        ExposureEnded,
        FactWithdrawn,
        ImageStored,
        OrderPlaced,
        PatientMerged,
        ReadinessChecked,
        SensorFaulted,
        SensorHanded,
        SensorTested,
    )
)
"""The facts that tell of sensors, or of whose study it was."""

_TAKEN_BACK = (ReadinessChecked, SensorFaulted, SensorHanded, SensorTested)
"""What a person told may be taken back. What a device told stays."""


@dataclass(frozen=True, slots=True)
class ConstancyTest:
    """A constancy test, by the site's own procedure."""

    at: datetime
    passed: bool
    remark: str | None


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault as a person saw it."""

    at: datetime
    description: str


@dataclass(frozen=True, slots=True)
class SensorWear:
    """One sensor's life so far.

    ``exposures`` are those told for it by the one way (generator, dose report, performed step) that
    told most, so that an exposure told twice counts once; ``images`` came from it. ``covers`` are
    readiness checks that confirm a new cover; ``studies_without_cover`` had images or exposures and
    no new cover was told for them. ``test_due`` is a day of the site, None where the site sets no
    rule or no test was told; ``test_is_due`` also where the rule wants one and none was told yet.
    """

    sensor: str
    listed: bool
    exposures: int
    images: int
    patients: int
    covers: int
    studies_without_cover: tuple[str, ...]
    faults: tuple[Fault, ...]
    last_test: ConstancyTest | None
    test_every_days: int | None
    test_due: date | None
    test_is_due: bool
    room: str | None
    room_words: str
    last_used_at: datetime | None
    last_used_room: str | None

    @property
    def words(self) -> tuple[str, ...]:
        """Say what a person may want to look at, in plain words; empty where there is nothing."""
        said = []
        if not self.listed:
            said.append("named by facts, but not in the site's list of sensors")
        if self.test_every_days is not None and self.last_test is None:
            said.append("no constancy test told yet")
        elif self.test_is_due and self.test_due is not None:
            said.append(f"constancy test due since {self.test_due}")
        if self.last_test is not None and not self.last_test.passed:
            said.append("the last constancy test did not pass")
        last_pass = self.last_test.at if self.last_test and self.last_test.passed else None
        if self.faults and (last_pass is None or self.faults[-1].at > last_pass):
            said.append(f"a fault since the last test passed: {self.faults[-1].description}")
        if self.studies_without_cover:
            count = len(self.studies_without_cover)
            said.append(f"{count} {'studies' if count > 1 else 'study'} with no new cover told")
        if self.room and self.last_used_room and self.room != self.last_used_room:
            said.append(f"last used in {self.last_used_room}, not in {self.room}")
        return tuple(said)


@dataclass(slots=True)
class _Life:
    exposures: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    images: int = 0
    studies: set[str] = field(default_factory=set)
    patients: set[str] = field(default_factory=set)
    covers: int = 0
    covered: set[str] = field(default_factory=set)
    faults: list[Fault] = field(default_factory=list)
    tests: list[ConstancyTest] = field(default_factory=list)
    handed: tuple[datetime, str] | None = None
    used: tuple[datetime, str | None] | None = None

    def use(self, at: datetime, room: str | None) -> None:
        if self.used is None or at >= self.used[0]:
            self.used = at, room


def wear_of(site: Site, facts: Iterable[Fact], today: date) -> tuple[SensorWear, ...]:
    """Tell of each sensor of a site, and of each that a fact names though no list does.

    ``facts`` are those of the site, in any order; each once. ``today`` is the site's day.
    """
    told = _counting(facts)
    owner = _patients_of_studies(told)
    lives: dict[str, _Life] = {sensor.name: _Life() for sensor in site.sensors}
    for fact in told:
        _add(lives, fact, owner)
    _add_covers(lives, told)
    listed = {sensor.name: sensor for sensor in site.sensors}
    return tuple(
        _wear(name, life, listed.get(name), today, site)
        for name, life in sorted(lives.items(), key=lambda one: (one[0] not in listed, one[0]))
    )


def _counting(facts: Iterable[Fact]) -> list[Fact]:
    known = sorted(facts, key=lambda fact: (fact.occurred_at, fact.natural_key))
    # A withdrawal may itself be withdrawn; its key holds the key that it withdraws.
    withdrawals = {
        fact.natural_key: fact.payload.withdrawn_key
        for fact in known
        if isinstance(fact.payload, FactWithdrawn)
    }
    gone: set[str] = set()
    for key in sorted(withdrawals, key=len, reverse=True):
        if key not in gone:
            gone.add(withdrawals[key])
    return [
        fact
        for fact in known
        if not (isinstance(fact.payload, _TAKEN_BACK) and fact.natural_key in gone)
    ]


def _patients_of_studies(facts: Sequence[Fact]) -> dict[str, str]:
    """Tell whose each study is: by its images, else by its order; merged patients are one."""
    owner: dict[str, str] = {}
    kept: dict[str, str] = {}
    for fact in facts:
        payload = fact.payload
        if isinstance(payload, OrderPlaced):
            owner.setdefault(payload.study_instance_uid, payload.patient.patient_id)
        elif isinstance(payload, PatientMerged):
            kept[payload.retired_patient_id] = payload.kept_patient_id
    for fact in facts:
        if isinstance(fact.payload, ImageStored):
            owner[fact.payload.study_instance_uid] = fact.payload.patient_id
    return {study: _merged(patient, kept) for study, patient in owner.items()}


def _merged(patient: str, kept: dict[str, str]) -> str:
    seen = {patient}
    while (follows := kept.get(patient)) is not None and follows not in seen:
        patient = follows
        seen.add(patient)
    return patient


def _add(lives: dict[str, _Life], fact: Fact, owner: dict[str, str]) -> None:
    payload = fact.payload
    name = getattr(payload, "sensor", None)
    if name is None:
        return
    life = lives.setdefault(name, _Life())
    match payload:
        case ExposureEnded():
            life.exposures[payload.told_by] += 1
            life.use(fact.occurred_at, payload.room)
        case ImageStored():
            life.images += 1
            life.use(fact.occurred_at, payload.room)
        case SensorTested():
            life.tests.append(ConstancyTest(fact.occurred_at, payload.passed, payload.remark))
        case SensorFaulted():
            life.faults.append(Fault(fact.occurred_at, payload.description))
        case SensorHanded():
            life.handed = fact.occurred_at, payload.to_room
    if isinstance(payload, ExposureEnded | ImageStored) and payload.study_instance_uid:
        life.studies.add(payload.study_instance_uid)
        patient = owner.get(payload.study_instance_uid)
        if patient is not None:
            life.patients.add(patient)


def _add_covers(lives: dict[str, _Life], facts: Sequence[Fact]) -> None:
    """Count covers; one told without a sensor counts where its study used a single sensor."""
    for fact in facts:
        payload = fact.payload
        if not isinstance(payload, ReadinessChecked) or not payload.new_sensor_cover:
            continue
        study = payload.study_instance_uid
        names = [name for name, life in lives.items() if study in life.studies]
        name = payload.sensor or (names[0] if len(names) == 1 else None)
        if name is None:
            continue
        life = lives[name]
        life.covers += 1
        life.covered.add(study)


def _wear(
    name: str,
    life: _Life,
    listed: Sensor | None,
    today: date,
    site: Site,
) -> SensorWear:
    last = life.tests[-1] if life.tests else None
    every = listed.test_every_days if listed else None
    due = None
    if every is not None and last is not None:
        due = last.at.astimezone(site.zone).date() + timedelta(days=every)
    room, room_words = _room(life, listed)
    return SensorWear(
        sensor=name,
        listed=listed is not None,
        exposures=max(life.exposures.values(), default=0),
        images=life.images,
        patients=len(life.patients),
        covers=life.covers,
        studies_without_cover=tuple(sorted(life.studies - life.covered)),
        faults=tuple(life.faults),
        last_test=last,
        test_every_days=every,
        test_due=due,
        test_is_due=every is not None and (due is None or due <= today),
        room=room,
        room_words=room_words,
        last_used_at=life.used[0] if life.used else None,
        last_used_room=life.used[1] if life.used else None,
    )


def _room(life: _Life, listed: Sensor | None) -> tuple[str | None, str]:
    if life.handed is not None:
        at, room = life.handed
        return room, f"{room}, handed there at {at:%Y-%m-%d %H:%M} UTC"
    if listed is not None and listed.room is not None:
        return listed.room, f"{listed.room}, its own room"
    return None, "not told"
