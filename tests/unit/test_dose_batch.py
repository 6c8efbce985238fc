"""Doses in columns are those of one by one: figures, bases, uncertainties and doubts."""

import math
from dataclasses import replace
from datetime import date, timedelta
from random import Random
from typing import Any

import numpy as np
import pytest

from schemas.outputs import load_spectrum_model
from schemas.tube_calibration import MeasuredOutput
from services.assessment.batch_kerma import TechniqueColumns
from services.assessment.dose import ExposureDose, assess_dose
from services.assessment.dose_batch import DoseColumns, basis_name, doses_in_columns, places_of
from services.assessment.exposure_technique import (
    ExposureTechnique,
    RectangularField,
    RoundField,
    TubeGeometry,
)
from tests.unit.test_calibration import calibration, checks

MODEL = load_spectrum_model()
WALL = TubeGeometry(
    filtration_mm_al=2.2,
    anode_angle_degrees=17.0,
    source_to_skin_mm=200.0,
    field=RoundField(diameter_mm=60.0, at_distance_mm=200.0),
    waveform="rectified",
)
ONE_POINT = (MeasuredOutput(tube_kv=65.0, output_ugy_per_mas=880.0),)
NEW = calibration(linearity=checks(29.0, 31.0))
OLD = calibration(name="old", measured_on=date(2025, 1, 10), valid_until=date(2025, 12, 1))
TUBES = {
    "wall": WALL,
    "plain": replace(WALL, field=RectangularField(30.0, 40.0), reference_distance_mm=300.0),
    "measured": replace(WALL, calibrations=(NEW, OLD), waveform="unknown"),
    "narrow": replace(
        WALL, calibrations=(calibration(outputs=ONE_POINT, reference_distance_mm=200.0),)
    ),
    "mistold": replace(
        WALL,
        calibrations=(
            calibration(outputs=(MeasuredOutput(tube_kv=65.0, output_ugy_per_mas=0.035),)),
            OLD,
        ),
    ),
    "unmodelled": replace(WALL, filtration_mm_al=5.0, calibrations=(NEW,)),
    "bare": TubeGeometry(filtration_mm_al=2.0),
}
SLIPS = [1e-7, 1e-5, 1e-3, 1e-2, 1.0, 1.0, 1.0, 1.0, 1e2, 1e3, 1e5, 1e7]


def invented(number: int) -> list[ExposureTechnique]:
    """Exposures right and wrong, whole and with holes, of known tubes and others."""
    random = Random(20261126)

    def perhaps(value: float, told: float = 0.85) -> float | None:
        return value if random.random() < told else None

    techniques = []
    for place in range(number):
        kv, ma = random.uniform(45.0, 95.0), random.choice([2.0, 7.0, 8.0])
        ms = random.choice([0.0, 20.0, 83.3, 120.0, 500.0, 1200.0])
        values: dict[str, Any] = {
            "tube_kv": perhaps(kv * random.choice([1.0] * 9 + [1000.0]), 0.95),
            "tube_current_ma": perhaps(ma * random.choice([1.0] * 9 + [1000.0]), 0.95),
            "exposure_ms": perhaps(ms * random.choice([1.0] * 9 + [0.001]), 0.95),
            "set_exposure_ms": perhaps(max(ms, 20.0)),
            "exposure_mas": perhaps(
                random.choice([1.0, 1.0, 1.0, 1000.0, 0.0]) * ma * ms / 1000.0, 0.3
            ),
            "source_to_skin_mm": perhaps(random.choice([200.0, 260.0, 20.0, 0.0, 1e-200]), 0.4),
            "reported_kerma_mgy": perhaps(
                random.choice([0.0, 0.3, 1.0, 2.0]) * random.choice(SLIPS), 0.5
            ),
            "reported_kap_mgycm2": perhaps(
                random.choice([0.0, 9.0, 28.0, 60.0]) * random.choice(SLIPS), 0.4
            ),
        }
        on = date(2024, 12, 1) + timedelta(days=random.randrange(900))
        techniques.append(
            ExposureTechnique(
                fact_id=f"{place:06d}",
                tube=random.choice([*TUBES, "not-listed"]),
                on=on if random.random() < 0.9 else None,
                **values,
            )
        )
    return techniques


def in_columns(techniques: list[ExposureTechnique]) -> DoseColumns:
    places, elsewhere = places_of(TUBES)
    return doses_in_columns(TechniqueColumns.of(techniques, places, elsewhere), TUBES, MODEL)


def figures(dose: ExposureDose) -> list[float]:
    """One by one, in the order of the columns; NaN is unknown."""
    kerma, kap, there = dose.kerma, dose.kap, dose.at_reference
    told = [
        kerma.kerma_mgy if kerma else None,
        kerma.relative_standard_uncertainty if kerma else None,
        kap.kap_mgycm2 if kap else None,
        kap.relative_standard_uncertainty if kap else None,
        there.kerma_mgy if there else None,
    ]
    return [math.nan if value is None else value for value in told]


def test_columns_give_the_same_figures_bases_and_doubts_as_one_by_one() -> None:
    techniques = invented(4000)
    columns = in_columns(techniques)
    single = assess_dose(techniques, TUBES, limits=None, model=MODEL).exposures
    found = columns.figures

    together = np.column_stack(
        (
            found.kerma_mgy,
            found.kerma_uncertainty,
            found.kap_mgycm2,
            found.kap_uncertainty,
            found.at_reference_mgy,
        )
    )
    np.testing.assert_allclose(
        together, np.array([figures(dose) for dose in single]), rtol=1e-9, equal_nan=True
    )
    assert [basis_name(int(place)) for place in found.kerma_basis] == [
        dose.kerma.basis if dose.kerma else "unknown" for dose in single
    ]
    assert [basis_name(int(place)) for place in found.kap_basis] == [
        dose.kap.basis if dose.kap else "unknown" for dose in single
    ]
    assert columns.kerma_doubtful.tolist() == [dose.kerma_doubtful for dose in single]
    assert columns.kap_doubtful.tolist() == [dose.kap_doubtful for dose in single]


def test_the_invented_exposures_try_every_way() -> None:
    # The comparison above says something only if each way is taken, and each doubt is there.
    single = assess_dose(invented(4000), TUBES, limits=None, model=MODEL).exposures
    bases = [dose.kerma.basis.value if dose.kerma else "unknown" for dose in single]
    assert min(bases.count(basis) for basis in ("device", "calibration", "model", "unknown")) > 50
    codes = [doubt.code for dose in single for doubt in dose.doubts]
    assert len(set(codes)) == 9
    assert min(codes.count(code) for code in set(codes)) >= 5
    expired = [
        dose.kerma.calibration.expired for dose in single if dose.kerma and dose.kerma.calibration
    ]
    assert len(set(expired)) == 2


def test_the_sums_of_columns_are_those_of_a_study() -> None:
    techniques = invented(1000)
    columns = in_columns(techniques)
    total = assess_dose(techniques, TUBES, limits=None, model=MODEL).total
    kerma, kerma_unknown, kerma_doubtful = columns.kerma_sum_mgy()
    kap, kap_unknown, kap_doubtful = columns.kap_sum_mgycm2()
    assert (kerma_unknown, kerma_doubtful) == (total.kerma_unknown, total.kerma_doubtful)
    assert (kap_unknown, kap_doubtful) == (total.kap_unknown, total.kap_doubtful)
    assert kerma == pytest.approx(total.kerma_mgy)
    assert kap == pytest.approx(total.kap_mgycm2)


def test_no_exposure_gives_empty_columns() -> None:
    columns = in_columns([])
    assert columns.kerma_sum_mgy() == (0.0, 0, 0)
    assert len(columns.figures.kerma_mgy) == 0


def test_without_a_model_columns_hold_what_is_reported_or_calibrated() -> None:
    techniques = invented(600)
    places, elsewhere = places_of(TUBES)
    told = TechniqueColumns.of(techniques, places, elsewhere)
    columns = doses_in_columns(told, TUBES, None)
    single = assess_dose(techniques, TUBES, limits=None, model=None).exposures
    ours = [
        [k, p] for k, p in zip(columns.figures.kerma_mgy, columns.figures.kap_mgycm2, strict=True)
    ]
    theirs = [[figures(dose)[0], figures(dose)[2]] for dose in single]
    np.testing.assert_allclose(ours, theirs, rtol=1e-9, equal_nan=True)
    assert columns.kerma_doubtful.tolist() == [dose.kerma_doubtful for dose in single]
