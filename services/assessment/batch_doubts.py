"""Which of very many doses are doubtful: what ``doubts_of`` finds one by one, without its words."""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from schemas.outputs import SpectrumModel
from services.assessment.batch_kerma import (
    CALIBRATION,
    DEVICE,
    UNKNOWN,
    Flags,
    Floats,
    KermaColumns,
    TechniqueColumns,
    area_column,
    calibrations_by_day,
    calibrations_on,
    settings_kerma,
    skin_column,
    told_distance_column,
    with_distance,
    without_calibrations,
)
from services.assessment.beam_geometry import charge_mas
from services.assessment.calibration_doubt import calibration_question
from services.assessment.dose_doubt import QUESTION_COVERAGE
from services.assessment.exposure_technique import TubeGeometry
from services.assessment.kerma_uncertainty import (
    AREA_RELATIVE_STANDARD_UNCERTAINTY,
    DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
    log_deviation,
)
from services.assessment.plausible_ranges import (
    ASSUMED_DEVIATION,
    ASSUMED_FIELD_CM2,
    CURRENT_MA,
    FIELD_CM2,
    TIME_MS,
    assumed_tube,
    distance_range,
    kv_range,
)
from services.assessment.reported_doubts import PAIR_DEVIATION
from services.assessment.setting_doubts import CHARGE_ROUNDED_MAS, CHARGE_SHARE

_DEVICE: Final = log_deviation(DEVICE_RELATIVE_STANDARD_UNCERTAINTY)
_AREA: Final = log_deviation(AREA_RELATIVE_STANDARD_UNCERTAINTY)


def doubtful_columns(
    told: TechniqueColumns,
    tube: TubeGeometry,
    model: SpectrumModel | None,
    found: KermaColumns,
) -> tuple[Flags, Flags]:
    """Flag the kermas and the area products of one tube that rest on something doubtful."""
    kerma, kap = told.reported_kerma_mgy, told.reported_kap_mgycm2
    has_kerma, has_kap = kerma > 0, kap > 0
    skin_mm = skin_column(told, tube)
    of_settings = _odd_settings(told, model)
    of_distance = _outside(told_distance_column(told, tube), distance_range(tube))
    odd = _odd_calibrations(told, tube, model)
    of_calibration = odd & (found.kerma_basis == CALIBRATION)

    kerma_doubtful = (of_settings & (found.kerma_basis != DEVICE)) | (of_distance & ~has_kerma)
    kap_doubtful = (of_settings & (found.kap_basis != DEVICE)) | (of_distance & ~has_kap)
    kerma_doubtful |= of_calibration
    kap_doubtful |= of_calibration & ~has_kap

    asked = ~of_settings & ~of_distance & (has_kerma | has_kap)
    figures = np.zeros(len(told), dtype=np.bool_)
    for rows, witness in ((asked & ~odd, tube), (asked & odd, without_calibrations(tube))):
        if not rows.any():
            continue
        far_kerma, far_kap = _far_from_settings(told.rows(rows), tube, witness, model)
        kerma_doubtful[rows] |= far_kerma | (far_kap & ~has_kerma[rows])
        kap_doubtful[rows] |= far_kap | (far_kerma & ~has_kap[rows])
        figures[rows] = far_kerma | far_kap

    pair = has_kerma & has_kap & ~figures
    area = np.where(of_distance, math.nan, area_column(tube, skin_mm))
    pair[pair] = _odd_field(kerma[pair], kap[pair], area[pair])
    return (
        (kerma_doubtful | pair) & (found.kerma_basis != UNKNOWN),
        (kap_doubtful | pair) & (found.kap_basis != UNKNOWN),
    )


def _odd_settings(told: TechniqueColumns, model: SpectrumModel | None) -> Flags:
    delivered = np.where(told.exposure_ms == 0, math.nan, told.exposure_ms)
    product = charge_mas(told.tube_current_ma, told.exposure_ms)
    mas = told.exposure_mas
    rounded = np.where(mas == np.round(mas), CHARGE_ROUNDED_MAS, 0.0)
    slack = np.maximum(CHARGE_SHARE * product, rounded)
    charge = (mas > 0) & (product > 0) & (np.abs(mas - product) > slack)
    return (
        charge
        | _outside(told.tube_kv, kv_range(model))
        | _outside(told.tube_current_ma, CURRENT_MA)
        | _outside(told.set_exposure_ms, TIME_MS)
        | _outside(delivered, TIME_MS)
    )


def _odd_calibrations(
    told: TechniqueColumns, tube: TubeGeometry, model: SpectrumModel | None
) -> Flags:
    """Flag exposures whose day's calibration is asked about."""
    asked = [
        calibration_question(one, tube, model) is not None for one in calibrations_by_day(tube)
    ]
    in_use, _ = calibrations_on(told.day, tube)
    odd: Flags = np.array([*asked, False], dtype=np.bool_)[in_use]  # -1 is the last: none in use
    return odd


def _far_from_settings(
    told: TechniqueColumns, tube: TubeGeometry, witness: TubeGeometry, model: SpectrumModel | None
) -> tuple[Flags, Flags]:
    skin_mm = skin_column(told, tube)
    known = settings_kerma(told, witness, skin_mm, model)
    expected, deviation = known.kerma_mgy, _deviation(known.uncertainty)
    lost = known.basis == UNKNOWN
    if model is not None and lost.any():
        assumed = assumed_tube(tube)
        axis = model.grid.tube_kv
        at_end = told.rows(lost)
        at_end = replace(at_end, tube_kv=np.clip(at_end.tube_kv, axis[0], axis[-1]))
        guessed = settings_kerma(at_end, assumed, skin_column(at_end, assumed), model)
        expected[lost] = guessed.kerma_mgy
        deviation[lost] = np.hypot(_deviation(guessed.uncertainty), ASSUMED_DEVIATION)
    area = area_column(tube, skin_mm)
    unset = np.isnan(area)
    area = np.where(unset, ASSUMED_FIELD_CM2, area)
    of_area = np.hypot(deviation, np.where(unset, ASSUMED_DEVIATION, _AREA))
    return (
        _far(told.reported_kerma_mgy, expected, deviation),
        _far(told.reported_kap_mgycm2, expected * area, of_area),
    )


def _far(value: Floats, expected: Floats, deviation: Floats) -> Flags:
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(np.log(value) - np.log(expected))
        far: Flags = (value > 0) & ((expected <= 0) | (ratio > QUESTION_COVERAGE * deviation))
    return far


def _deviation(uncertainty: Floats) -> Floats:
    own = np.sqrt(np.log1p(with_distance(uncertainty, -2.0) ** 2))
    return np.hypot(own, _DEVICE)


def _odd_field(kerma: Floats, kap: Floats, area: Floats) -> Flags:
    implied = np.log(kap) - np.log(kerma)
    lowest = np.log(np.where(np.isnan(area), FIELD_CM2[0], area))
    highest = np.log(np.where(np.isnan(area), FIELD_CM2[1], area))
    ratio = implied - np.clip(implied, lowest, highest)
    odd: Flags = np.abs(ratio) > QUESTION_COVERAGE * PAIR_DEVIATION
    return odd


def _outside(values: Floats, bounds: tuple[float, float]) -> Flags:
    """NaN, which is not told, is not outside."""
    outside: Flags = (values < bounds[0]) | (values > bounds[1])
    return outside
