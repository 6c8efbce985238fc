"""The doses of a period: exposures a second from the table to every figure and drawing."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from random import Random
from statistics import median

from sqlalchemy import insert

from services.assessment.dose_columns import columns_of
from services.assessment.dose_csv import write_exposures
from services.assessment.dose_ledger import DOSE, rows_between
from services.assessment.dose_overview import overview, trend_points, view_spreads
from services.assessment.dose_periods import By
from services.assessment.dose_plots import by_view, distribution, trend
from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.bench.figures import BenchError, Figure, Options
from tests.bench.workplace import Workplace, discard

MILLION = 1_000_000
OURS = "gomphosis"
OF_A_STUDY = 12
SITES, ROOMS, VIEWS, PEOPLE = 8, 3, 24, 6
REPORT, CSV = "all figures and three drawings", "CSV by site and month"
_AT_ONCE = 2_000


def measure(options: Options, place: Workplace) -> Figure:
    """Report on invented exposures of two years: figures and drawings, then CSV, on SQLite."""
    # A round number of studies, and not less than a million exposures.
    exposures = OF_A_STUDY * -(-options.choose(MILLION, 24_000) // OF_A_STUDY)
    figure = Figure("dose-report", "the doses of a period, from the table on", rates=False)
    folder = place.subfolder("dose-report")
    store = Store(f"sqlite:///{folder / 'doses.db'}")
    try:
        migrate(store)
        _fill(store, exposures // OF_A_STUDY)
        rates = []
        for number in range(options.rounds):
            out = folder / f"csv-{number}"
            out.mkdir()
            for setting, work, more in ((REPORT, _report, ()), (CSV, _write_csv, (out,))):
                seconds, processor_s = _apart(work, store, exposures, *more)
                figure.note(OURS, setting, "s", seconds, ours=True)
                figure.note(OURS, setting, "s of processor", processor_s, ours=True)
                if setting == REPORT:
                    rates.append(exposures / seconds)
                    figure.note(OURS, setting, "exposures/s", rates[-1], ours=True)
    finally:
        store.close()
        discard(folder)
    figure.remarks = [
        f"{exposures:,} invented exposures in {exposures // OF_A_STUDY:,} studies of {SITES} sites",
        f"{MILLION:,} exposures a minute are {MILLION // 60:,}/s; the median here is "
        f"{median(rates):,.0f}/s",
        "one process, read from SQLite; by view, typical values, trend and drawings included",
    ]
    return figure


def _apart(
    work: Callable[..., int], store: Store, exposures: int, *more: object
) -> tuple[float, float]:
    """Run in a process of its own, so that no round profits from the one before; give the time
    and that of the processor, which a busy machine leaves as it is."""
    url = store.url.render_as_string(hide_password=False)
    with get_context("spawn").Pool(1) as pool:
        began = time.perf_counter()
        found, processor_s = pool.apply(_timed, (work, url, *more))
        seconds = time.perf_counter() - began
    if found != exposures:
        raise BenchError(f"dose-report: expected {exposures} exposures, got {found}")
    return seconds, processor_s


def _timed(work: Callable[..., int], *told: object) -> tuple[int, float]:
    found = work(*told)
    return found, time.process_time()


def _report(url: str) -> int:
    store = Store(url)
    try:
        with store.read() as connection:
            columns = columns_of(rows_between(connection, None, None, None), {})
    finally:
        store.close()
    found = overview(columns, By.VIEW)
    points, of = trend_points(columns)
    drawn = [
        distribution(columns.kerma_mgy, None, False, ()),
        trend(points, of),
        by_view(view_spreads(columns)),
    ]
    if not all(drawn) or not found.typical:
        raise BenchError("dose-report: expected drawings and typical values")
    return found.groups[0].total.exposures


def _write_csv(url: str, folder: Path) -> int:
    store = Store(url)
    try:
        with store.read() as connection:
            files = write_exposures(rows_between(connection, None, None, None), folder)
    finally:
        store.close()
    return sum(len(path.read_bytes().splitlines()) - 1 for path in files)


def _fill(store: Store, studies: int) -> None:
    rows = _rows(studies)
    with store.begin() as connection:
        while some := list(islice(rows, _AT_ONCE)):
            connection.execute(insert(DOSE), some)


def _rows(studies: int) -> Iterator[dict[str, object]]:
    random = Random(5)
    for number in range(studies):
        site = f"site-{number % SITES}"
        day = date(2025, 1, 1) + timedelta(days=number * 720 // studies)
        exposures = [_exposure(random, site, number, i) for i in range(OF_A_STUDY)]
        yield {
            "site": site,
            "study_instance_uid": f"2.25.{number}",
            "patient_id": f"P-{number // 2}",
            "day": day,
            "exposure_count": OF_A_STUDY,
            "unknown_count": 0,
            "unknown_kap_count": 0,
            "kerma_mgy": 12.0,
            "kap_mgycm2": 340.0,
            "relative_uncertainty": 0.5,
            "basis": "model",
            "room": f"dental-{number % ROOMS}",
            "training": False,
            "species": random.choice(["dog", "cat"]),
            "weight_kg": random.uniform(3.0, 40.0),
            "people_checked": True,
            "exposures": json.dumps(exposures, separators=(",", ":")),
        }


def _exposure(random: Random, site: str, study: int, number: int) -> list[object]:
    kerma = round(random.lognormvariate(0.0, 0.4), 4)
    repeat = random.random() < 0.06
    use = "ended_early" if random.random() < 0.02 else "image"
    return [
        1.74e9 + study * 60.0 + number,
        f"{site}-generator-{study % ROOMS}",
        f"tech-{random.randrange(PEOPLE)}",
        f"view-{random.randrange(VIEWS)}",
        "side-upper",
        use,
        repeat,
        65.0,
        7.0,
        120.0,
        kerma,
        round(28.0 * kerma, 3),
        "model",
        0.5,
    ]
