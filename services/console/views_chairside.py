"""What the board of one room shows: who is there today, and all of the one on the table."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, and_, select

from schemas.conclusions import (
    Concern,
    ExposureUse,
    ImageUse,
    LooseExposure,
    RoomDayAssessed,
    StudyAssessed,
    TechniqueFinding,
    ViewResult,
    ViewStatus,
)
from schemas.facts import ExposureEnded, ImageStored, ReadinessChecked
from services.console.tables import ARRIVAL, ROOM_DAY, STUDY


@dataclass(frozen=True, slots=True)
class PatientToday:
    """One study of a room and day, as a line of the board."""

    study_instance_uid: str
    patient_id: str
    patient_name: str | None
    species: str | None
    accession_number: str | None
    plan_title: str | None
    state: str
    closed: bool
    training: bool
    changed_at: datetime
    last_at: datetime | None
    views: int
    views_done: int
    views_missing: int
    views_excused: int
    views_need_person: int
    images: int
    ended_early: int
    misfits: int
    questions: int
    dose_verdict: str


@dataclass(frozen=True, slots=True)
class JustTold:
    """What came and stands in no conclusion yet. ``fact`` is as it was told."""

    natural_key: str
    occurred_at: datetime
    received_at: datetime
    fact: ExposureEnded | ImageStored | ReadinessChecked


@dataclass(frozen=True, slots=True)
class RoomBoard:
    """A room on a day: the patients, the latest first to change; what just came; what is loose."""

    site: str
    room: str
    day: date
    patients: tuple[PatientToday, ...]
    just_told: tuple[JustTold, ...]
    loose: tuple[LooseExposure, ...]


class ToothState(StrEnum):
    COVERED = "covered"
    MISSING = "missing"
    NEEDS_PERSON = "needs_person"
    EXCUSED = "excused"
    ABSENT = "absent"


@dataclass(frozen=True, slots=True)
class NextView:
    """The view that is suggested next, and why."""

    view: ViewResult
    why: str


@dataclass(frozen=True, slots=True)
class Moment:
    """One exposure or image of the study, in the order in which they came.

    ``image`` and ``exposure`` are keys into the assessment; linked ones share a moment. ``words``
    say what became of it.
    """

    at: datetime
    image: str | None
    exposure: str | None
    view: str | None
    rejected: bool
    ended_early: bool
    repeat: bool
    words: str


@dataclass(frozen=True, slots=True)
class Readiness:
    """What the last readiness check says; None: nobody told."""

    anaesthesia_confirmed_by: str | None
    people_outside_beam: bool | None
    new_sensor_cover: bool | None


@dataclass(frozen=True, slots=True)
class WakeAnswer:
    """What is missing before the plan is settled. Whether the patient stays asleep is for the vet
    and the anaesthetist to decide, whatever is missing."""

    nothing_missing: bool
    missing: tuple[str, ...]
    questions: int


@dataclass(frozen=True, slots=True)
class StudyBoard:
    """All of one study that the chairside needs; ``study`` is the whole assessment."""

    site: str
    changed_at: datetime
    study: StudyAssessed
    teeth: dict[int, ToothState]
    next_view: NextView | None
    moments: tuple[Moment, ...]
    misfits: tuple[TechniqueFinding, ...]
    readiness: Readiness
    may_wake: WakeAnswer
    just_told: tuple[JustTold, ...]


_LINE = [STUDY.c[name] for name in PatientToday.__dataclass_fields__]


def room_board(connection: Connection, site: str, room: str, day: date) -> RoomBoard:
    """Read a room's board."""
    own = and_(STUDY.c.site == site, STUDY.c.room == room, STUDY.c.day == day)
    rows = connection.execute(select(*_LINE, STUDY.c.held).where(own)).all()
    lines = [PatientToday(*row[:-1]) for row in rows]
    told = connection.scalar(
        select(ROOM_DAY.c.snapshot).where(
            ROOM_DAY.c.site == site, ROOM_DAY.c.room == room, ROOM_DAY.c.day == day
        )
    )
    loose = RoomDayAssessed.model_validate_json(told).exposures if told is not None else ()
    held = {key for row in rows for key in row.held.split("\n")}
    held |= {one.exposure_key for one in loose}
    here = and_(ARRIVAL.c.site == site, ARRIVAL.c.room == room, ARRIVAL.c.day == day)
    return RoomBoard(
        site,
        room,
        day,
        tuple(sorted(lines, key=lambda one: (one.changed_at, one.patient_id), reverse=True)),
        _just_told(connection, here, held),
        loose,
    )


def study_board(connection: Connection, site: str, study_instance_uid: str) -> StudyBoard | None:
    """Read the board of one study; None where it is not known."""
    row = connection.execute(
        select(STUDY.c.snapshot, STUDY.c.changed_at, STUDY.c.held).where(
            STUDY.c.site == site, STUDY.c.study_instance_uid == study_instance_uid
        )
    ).one_or_none()
    if row is None:
        return None
    study = StudyAssessed.model_validate_json(row.snapshot)
    own = and_(ARRIVAL.c.site == site, ARRIVAL.c.study_instance_uid == study_instance_uid)
    return StudyBoard(
        site=site,
        changed_at=row.changed_at,
        study=study,
        teeth=tooth_states(study),
        next_view=next_view(study),
        moments=moments_of(study),
        misfits=tuple(one for one in study.technique if one.concern is Concern.CHECK),
        readiness=Readiness(
            study.anaesthesia_confirmed_by, study.people_outside_beam, study.new_sensor_cover
        ),
        may_wake=WakeAnswer(
            not study.still_missing and not study.questions,
            study.still_missing,
            len(study.questions),
        ),
        just_told=_just_told(connection, own, set(row.held.split("\n"))),
    )


def tooth_states(study: StudyAssessed) -> dict[int, ToothState]:
    """Tell of each tooth of the plan whether it is on an image, missing, or need not be."""
    states: dict[int, ToothState] = {}
    for status, state in _BY_STATUS:
        for view in study.views:
            if view.status is status:
                states |= dict.fromkeys(view.teeth, state)
    for image in study.images:
        if image.use is ImageUse.VIEW:
            shown = (tooth for tooth in image.teeth if tooth in states)
            states |= dict.fromkeys(shown, ToothState.COVERED)
    for tooth in study.teeth_without_view:
        if states.get(tooth) is not ToothState.NEEDS_PERSON:
            states[tooth] = ToothState.MISSING
    return states | dict.fromkeys(study.absent_teeth, ToothState.ABSENT)


# The later outranks: a tooth that one view shows is covered, whatever the others lack.
_BY_STATUS = (
    (ViewStatus.EXCUSED, ToothState.EXCUSED),
    (ViewStatus.MISSING, ToothState.MISSING),
    (ViewStatus.NEEDS_PERSON, ToothState.NEEDS_PERSON),
    (ViewStatus.DONE, ToothState.COVERED),
)


def next_view(study: StudyAssessed) -> NextView | None:
    """Give the first of the fewest views that show all that is left."""
    planned = {view.view: view for view in study.views}
    for name in study.suggested_views:
        if name in planned:
            return NextView(planned[name], study.suggestion_words or planned[name].words)
    return None


def moments_of(study: StudyAssessed) -> tuple[Moment, ...]:
    """Lay exposures and images out in time; an exposure and its image are one moment."""
    again = {repeat.again for repeat in study.repeats}
    exposures = {
        one.sop_instance_uid: one for one in study.exposures if one.sop_instance_uid is not None
    }
    found = []
    for image in study.images:
        uid = image.sop_instance_uid
        made_by = exposures.get(uid)
        found.append(
            Moment(
                at=made_by.occurred_at if made_by is not None else image.acquired_at,
                image=uid,
                exposure=made_by.exposure_key if made_by is not None else None,
                view=image.view,
                rejected=image.use is ImageUse.REJECTED,
                ended_early=made_by is not None and made_by.use is ExposureUse.ENDED_EARLY,
                repeat=uid in again,
                words=image.words,
            )
        )
    linked = {image.sop_instance_uid for image in study.images}
    for one in study.exposures:
        if one.sop_instance_uid in linked:
            continue
        early = one.use is ExposureUse.ENDED_EARLY
        found.append(
            Moment(
                at=one.occurred_at,
                image=None,
                exposure=one.exposure_key,
                view=None,
                rejected=False,
                ended_early=early,
                repeat=one.repeat,
                words="released early, no image" if early else "no image of it",
            )
        )
    return tuple(sorted(found, key=lambda one: (one.at, one.image or "", one.exposure or "")))


def _just_told(connection: Connection, where: Any, held: set[str]) -> tuple[JustTold, ...]:
    rows = connection.execute(
        select(
            ARRIVAL.c.natural_key,
            ARRIVAL.c.kind,
            ARRIVAL.c.occurred_at,
            ARRIVAL.c.received_at,
            ARRIVAL.c.told,
        ).where(where)
    ).all()
    found = [
        JustTold(row.natural_key, row.occurred_at, row.received_at, _KINDS[row.kind](row.told))
        for row in rows
        if row.natural_key not in held
    ]
    # A test exposure is of no patient, so no conclusion ever takes it in.
    found = [
        one for one in found if not (isinstance(one.fact, ExposureEnded) and one.fact.test_exposure)
    ]
    return tuple(sorted(found, key=lambda one: (one.occurred_at, one.natural_key)))


_KINDS = {
    kind.KIND: kind.model_validate_json for kind in (ExposureEnded, ImageStored, ReadinessChecked)
}
