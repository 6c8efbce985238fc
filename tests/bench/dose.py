"""Dose of exposures one by one, as the service does it, and in columns, as a group report would."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from datetime import date, timedelta
from multiprocessing import get_context
from random import Random
from statistics import median

import numpy as np

from schemas.outputs import SpectrumModel, load_spectrum_model
from schemas.tube_calibration import TubeCalibration
from services.assessment.batch_kerma import TechniqueColumns
from services.assessment.dose import assess_dose
from services.assessment.dose_batch import doses_in_columns, places_of
from services.assessment.exposure_technique import ExposureTechnique, RoundField, TubeGeometry
from tests.bench.figures import BenchError, Figure, Options
from tests.bench.workplace import Workplace

PROCESSES = 2
MILLION = 1_000_000
OURS = "gomphosis"
STUDY = 14
"""Exposures of one full-mouth study, assessed together when any fact of it comes."""

MODELLED = TubeGeometry(
    filtration_mm_al=2.0,
    anode_angle_degrees=16.0,
    source_to_skin_mm=200.0,
    field=RoundField(diameter_mm=60.0, at_distance_mm=200.0),
    waveform="rectified",
)
CALIBRATED = replace(
    MODELLED,
    calibrations=(TubeCalibration.model_validate(TubeCalibration.EXAMPLES[0], strict=False),),
)
TUBES = {"modelled": MODELLED, "calibrated": CALIBRATED, "reporting": MODELLED}


def measure(options: Options, place: Workplace) -> Figure:
    """Time one exposure online by kind of tube, and many in columns on two cores."""
    del place
    figure = Figure("dose", "microseconds for one exposure, and exposures in columns", rates=True)
    model = load_spectrum_model()
    studies = options.choose(400, 40)
    exposures = options.choose(MILLION, 50_000)
    minutes: list[float] = []
    for number in range(options.rounds):
        for tube in TUBES:
            online = _online(tube, studies, number, model)
            figure.note(OURS, f"one by one, {tube} tube", "us/exposure", online, ours=True)
        seconds, from_objects = _in_columns(exposures, number)
        rate = exposures / seconds
        figure.note(OURS, "columns, two processes", "exposures/s", rate, ours=True)
        figure.note(
            OURS, "laid out from objects, one process", "exposures/s", from_objects, ours=True
        )
        minutes.append(60.0 * rate)
    figure.remarks = [
        f"one by one: {studies} studies of {STUDY} exposures, figures, doubts and sums of each "
        "study, processor time, no store and no bus",
        f"columns: {exposures:,} exposures run, with their doubts; "
        f"{median(minutes):,.0f} a minute at the median rate",
        "columns start as arrays in each process; laying them out from objects is apart",
        "invented settings and reports; every hundredth report is wrong by a unit",
    ]
    return figure


def invented(number: int, seed: int, tube: str) -> list[ExposureTechnique]:
    """Make exposures of one kind of tube."""
    random = Random(seed)
    begin = date(2026, 2, 1)
    told = []
    for place in range(number):
        ms = random.choice([60.0, 83.0, 120.0, 200.0])
        kerma = None
        if tube == "reporting":
            kerma = ms / 120.0 * random.uniform(0.5, 1.5) * (1000.0 if place % 100 == 0 else 1.0)
        told.append(
            ExposureTechnique(
                fact_id=f"{seed}-{place:07d}",
                tube=tube,
                tube_kv=random.choice([60.0, 65.0, 70.0]),
                tube_current_ma=7.0,
                exposure_ms=ms,
                set_exposure_ms=ms,
                reported_kerma_mgy=kerma,
                on=begin + timedelta(days=place % 300),
            )
        )
    return told


def _online(tube: str, studies: int, seed: int, model: SpectrumModel) -> float:
    told = [invented(STUDY, 1000 * seed + study, tube) for study in range(studies)]
    assess_dose(told[0], TUBES, limits=None, model=model)
    began = time.process_time()  # one thread, no waiting: what others do does not count
    for study in told:
        assess_dose(study, TUBES, limits=None, model=model)
    return 1e6 * (time.process_time() - began) / (studies * STUDY)


def _in_columns(exposures: int, seed: int) -> tuple[float, float]:
    """Give the seconds of the columns, and the objects laid out in one second."""
    sample = [one for tube in TUBES for one in invented(3_000, seed, tube)]
    places, elsewhere = places_of(TUBES)
    began = time.perf_counter()
    laid_out = TechniqueColumns.of(sample, places, elsewhere)
    rate = len(sample) / (time.perf_counter() - began)
    each = exposures // PROCESSES
    with get_context("spawn").Pool(PROCESSES, _prepare, (laid_out, each)) as pool:
        pool.map(_ready, range(PROCESSES), chunksize=1)  # imported and laid out before the clock
        began = time.perf_counter()
        done = pool.map(_sum_up, range(PROCESSES), chunksize=1)
        seconds = time.perf_counter() - began
    if any(count != each or not math.isfinite(total) for count, total in done):
        raise BenchError(f"expected {each} exposures with a finite sum from each process")
    return seconds, rate


class _Prepared:
    """What a process holds before the clock runs."""

    columns: TechniqueColumns
    model: SpectrumModel


def _prepare(sample: TechniqueColumns, number: int) -> None:
    rows = np.arange(number) % len(sample)
    _Prepared.columns = sample.rows(rows)
    _Prepared.model = load_spectrum_model()
    doses_in_columns(sample, TUBES, _Prepared.model)


def _ready(_: int) -> int:
    return len(_Prepared.columns)


def _sum_up(_: int) -> tuple[int, float]:
    found = doses_in_columns(_Prepared.columns, TUBES, _Prepared.model)
    return len(found.kerma_doubtful), found.kerma_sum_mgy()[0] + found.kap_sum_mgycm2()[0]
