"""Linking offline and one fact at a time: how many exposures, and what one new fact costs."""

from __future__ import annotations

import time
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from statistics import median

from schemas.envelope import Message, Payload
from services.assessment.linking import link
from services.assessment.worker import AssessmentHandler
from services.runtime.migrate import migrate
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.bench.figures import Figure, Options, rotated
from tests.bench.workplace import Workplace, discard
from tests.room_facts import GROUP, exposure, image, order, patient, rules
from tests.simulated_rooms.baselines import assigned
from tests.simulated_rooms.conditions import MIXED, Conditions
from tests.simulated_rooms.day import SimulatedDay, simulate
from tests.simulated_rooms.scoring import days_of

PROCESSES = 2
MILLION = 1_000_000
OURS, PEER = "gomphosis", "scipy assignment, no confidence"


def measure(options: Options, place: Workplace) -> Figure:
    """Link mixed days offline on two cores, longer and longer days, and facts one by one."""
    figure = Figure("linking", "exposures linked per second, and ms for one more fact", rates=True)
    days = list(days_of(MIXED, range(options.choose(1000, 30))))
    exposures = sum(len(day.exposures) for day in days)
    rates: list[float] = []
    for number in range(options.rounds):
        for name in rotated([OURS, PEER], number):
            seconds = _offline(days, name)
            figure.note(
                name,
                "offline, two processes",
                "exposures/s",
                exposures / seconds,
                ours=name == OURS,
            )
            if name == OURS:
                rates.append(exposures / seconds)
        for patients in (2, 5, 20, 80):
            figure.note(
                OURS, f"a day of {patients} patients", "ms/exposure", _long_day(patients), ours=True
            )
        folder = place.subfolder("linking")
        for exposures_before in (14, 70, 200):
            cost = _one_more_fact(folder, exposures_before, options.choose(40, 6))
            figure.note(
                OURS,
                f"worker on SQLite, {exposures_before} in the room-day",
                "ms CPU/fact",
                cost,
                ours=True,
            )
        discard(folder)
    figure.remarks = [
        f"offline: {exposures:,} exposures of simulated mixed days in {len(days):,} room-days",
        f"extrapolated, not run: 1,000,000 exposures at the median rate take "
        f"{MILLION / median(rates):.0f} s",
        "ms/exposure stays the same where cost is linear in a day's exposures",
        "the peer gets one fixed shift and window, and says nothing of how sure it is",
        "ms/fact: processor time of the handler's whole transaction, one fact in each, median",
    ]
    return figure


def _link(day: SimulatedDay) -> int:
    return len(link(day.exposures, day.images).links)


def _assign(day: SimulatedDay) -> int:
    return len(assigned(day))


def _offline(days: list[SimulatedDay], name: str) -> float:
    linker = _link if name == OURS else _assign
    with get_context("spawn").Pool(PROCESSES) as pool:
        pool.map(linker, days[:PROCESSES])  # started and imported before the clock runs
        began = time.perf_counter()
        pool.map(linker, days, chunksize=max(1, len(days) // (PROCESSES * 8)))
        return time.perf_counter() - began


def _long_day(patients: int) -> float:
    day = simulate(7, replace(Conditions(), patients=patients))
    began = time.perf_counter()
    _link(day)
    return 1000 * (time.perf_counter() - began) / len(day.exposures)


def _one_more_fact(folder: Path, before: int, facts: int) -> float:
    store = Store(f"sqlite:///{folder / f'linking-{before}-{time.time_ns()}.db'}")
    try:
        migrate(store)
        handler = AssessmentHandler(GROUP, {"north": rules()})
        told = _day(before + facts)
        _handle(store, handler, told[: 2 * before])
        costs = [_handle(store, handler, [fact]) for fact in told[2 * before :][:facts]]
        return median(costs)
    finally:
        store.close()


def _handle(store: Store, handler: AssessmentHandler, facts: list[Message[Payload]]) -> float:
    began = time.process_time()
    with store.begin() as connection:
        work = Work(connection, store)
        handler(work, facts)
        work.flush("assessment")
    return 1000 * (time.process_time() - began)


def _day(exposures: int) -> list[Message[Payload]]:
    day = simulate(11, replace(Conditions(), patients=-(-exposures // 14), ended_early=0.0))
    begins_s = day.exposures[0].at_s
    number_of = {one.key: number for number, one in enumerate(day.exposures)}
    made = {number_of[day.truth[i.key]]: i for i in day.images if i.key in day.truth}
    told: list[Message[Payload]] = []
    known: set[str] = set()
    for number, one in enumerate(day.exposures):
        study = f"2.25.7{day.study_of_exposure[one.key].removeprefix('study-')}"
        if study not in known:
            known.add(study)
            told.append(order(study, patient=patient(patient_id=f"P-{study}")))
        told.append(exposure(number, one.at_s - begins_s))
        if number in made:
            at_s = made[number].at_s - begins_s
            told.append(image(number, at_s, study, patient_id=f"P-{study}"))
    return told
