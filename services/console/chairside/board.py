"""All that one page of the board shows, put together from the read model and the site's rules."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import Connection, select

from schemas.conclusions import StudyAssessed
from schemas.facts import ExposureEnded, ImageStored, Receptor
from schemas.group import Site
from schemas.plans import Plan
from schemas.techniques import SizeRule
from services.console.chairside.decisions import Decision, settled_keys, standing, words_of
from services.console.chairside.dose import DoseCard, dose_card
from services.console.chairside.entries import Alert, Entry, alerts_of, entries_of
from services.console.chairside.next_view import NextCard, next_card
from services.console.chairside.questions import QuestionCard, question_cards
from services.console.chairside.readiness import ReadinessNow, positions_words, readiness_now
from services.console.chairside.teeth import ToothChart, ToothGroup, tooth_charts, tooth_groups
from services.console.chairside.wake import WakeCard, wake_card
from services.console.site_rules import SiteRules
from services.console.tables import ARRIVAL, STUDY
from services.console.views_chairside import (
    JustTold,
    PatientToday,
    RoomBoard,
    StudyBoard,
    room_board,
    study_board,
)

_LOOKED_AT = 30
"""So many of the newest exposures; the number is invented."""
_OF_LATE = timedelta(minutes=15)
"""How long an exposure of no patient is shown at the table. The length is invented."""


@dataclass(frozen=True, slots=True)
class Table:
    """The patient on the table. ``others``: those of the same room and day; ``newer``: of them,
    those of whom something came after the last of this patient."""

    board: StudyBoard
    plan: Plan | None
    others: tuple[PatientToday, ...]
    newer: frozenset[str]
    charts: tuple[ToothChart, ...]
    groups: tuple[ToothGroup, ...]
    next: NextCard | None
    wake: WakeCard
    alerts: tuple[Alert, ...]
    entries: tuple[Entry, ...]
    questions: tuple[QuestionCard, ...]
    readiness: ReadinessNow
    positions: str
    dose: DoseCard
    last: Decision | None
    last_words: str
    settled: tuple[str, ...]

    @property
    def study(self) -> StudyAssessed:
        return self.board.study


def table_of(
    connection: Connection,
    site: Site,
    rules: SiteRules,
    room: str,
    study_instance_uid: str,
    now: datetime,
) -> Table | None:
    """Read all of one patient; None for a study that is not known here."""
    board = study_board(connection, site.name, study_instance_uid)
    if board is None:
        return None
    study = board.study
    today = room_board(connection, site.name, room, study.day)
    loose = exposures_of_nobody(connection, site.name, room, study.day, now - _OF_LATE)
    plan = rules.plans.get(study.plan) if study.plan is not None else None
    suggested = board.next_view
    receptors = receptors_of(connection, site, room, study.day)
    decisions = standing(study)
    return Table(
        board=board,
        plan=plan,
        others=tuple(one for one in today.patients if one.study_instance_uid != study_instance_uid),
        newer=_newer(today, board),
        charts=tooth_charts(
            study, board.teeth, frozenset(suggested.view.teeth if suggested is not None else ())
        ),
        groups=tooth_groups(board.teeth),
        next=(
            next_card(suggested, study, plan, rules.chart, receptors)
            if suggested is not None
            else None
        ),
        wake=wake_card(board, loose),
        alerts=alerts_of(board, loose, rules.chart.size_rule if rules.chart else SizeRule()),
        entries=entries_of(board, loose),
        questions=question_cards(study),
        readiness=readiness_now(board),
        positions=positions_words(rules.positions, room),
        dose=dose_card(study),
        last=decisions[-1] if decisions else None,
        last_words=words_of(decisions[-1], study) if decisions else "",
        settled=settled_keys(study),
    )


def exposures_of_nobody(
    connection: Connection, site: str, room: str, day: date, since: datetime
) -> tuple[JustTold, ...]:
    """Give the room's exposures of late that no study holds, be they concluded to be loose or not
    concluded at all: at the table they are seen all the same."""
    of_day = select(STUDY.c.held).where(
        STUDY.c.site == site, STUDY.c.room == room, STUDY.c.day == day
    )
    held = {key for text in connection.scalars(of_day) for key in text.split("\n")}
    query = select(ARRIVAL).where(
        ARRIVAL.c.site == site,
        ARRIVAL.c.room == room,
        ARRIVAL.c.day == day,
        ARRIVAL.c.kind == ExposureEnded.KIND,
        ARRIVAL.c.received_at >= since,
    )
    found = [
        JustTold(row.natural_key, row.occurred_at, row.received_at, fact)
        for row in connection.execute(query)
        if row.natural_key not in held
        and not (fact := ExposureEnded.model_validate_json(row.told)).test_exposure
    ]
    return tuple(sorted(found, key=lambda one: (one.received_at, one.natural_key)))


def receptors_of(connection: Connection, site: Site, room: str, day: date) -> frozenset[Receptor]:
    """Name the receptors of a room: as its exposures of the day tell, else as its sensors are."""
    query = (
        select(ARRIVAL.c.told)
        .where(
            ARRIVAL.c.site == site.name,
            ARRIVAL.c.room == room,
            ARRIVAL.c.day == day,
            ARRIVAL.c.kind == ExposureEnded.KIND,
        )
        .order_by(ARRIVAL.c.received_at.desc())
        .limit(_LOOKED_AT)
    )
    told = (ExposureEnded.model_validate_json(text) for text in connection.scalars(query))
    found = frozenset(one.receptor for one in told if one.receptor is not None)
    return found or frozenset(
        sensor.receptor
        for sensor in site.sensors
        if sensor.room == room and sensor.receptor is not None
    )


def on_the_table(board: RoomBoard) -> str | None:
    """Name the study of whom something came last today, if it is not closed."""
    arrived: Mapping[str, JustTold] = {
        one.fact.study_instance_uid: one
        for one in board.just_told
        if isinstance(one.fact, ImageStored)
    }
    open_ones = [one for one in board.patients if not one.closed]
    begun = [one for one in open_ones if one.last_at or one.study_instance_uid in arrived]
    if not begun:
        return None
    newest = max(
        begun,
        key=lambda one: (one.study_instance_uid in arrived, one.last_at or one.changed_at),
    )
    return newest.study_instance_uid


def _newer(today: RoomBoard, board: StudyBoard) -> frozenset[str]:
    own = [moment.at for moment in board.moments]
    last = max(own, default=None)
    coming = {
        one.fact.study_instance_uid for one in today.just_told if isinstance(one.fact, ImageStored)
    }
    return frozenset(
        one.study_instance_uid
        for one in today.patients
        if one.study_instance_uid != board.study.study_instance_uid
        and (
            one.study_instance_uid in coming
            or (last is not None and one.last_at is not None and one.last_at > last)
        )
    )
