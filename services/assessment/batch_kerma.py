"""Kerma and area product of very many exposures at once, in columns: what ``kerma.estimate`` gives
one by one, for reports over a group's years. A test holds the two together.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from schemas.outputs import SpectrumModel
from schemas.tube_calibration import TubeCalibration
from services.assessment.beam_geometry import (
    LARGEST_FIGURE,
    USABLE_MM,
    area_distance_power,
    field_area_cm2,
    incident_air_kerma_mgy,
)
from services.assessment.calibration import KV_EXPONENT_UNCERTAINTY, laid_out
from services.assessment.chosen_output import KermaBasis
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.kerma_uncertainty import (
    AREA_RELATIVE_STANDARD_UNCERTAINTY,
    DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
    DISTANCE_RELATIVE_STANDARD_UNCERTAINTY,
    EXPIRED_RELATIVE_STANDARD_UNCERTAINTY,
    MODEL_RELATIVE_STANDARD_UNCERTAINTY,
    combined,
)
from services.assessment.tube_output import OutOfRange, OutputCurve, known_wave, model_curves

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

UNKNOWN: Final = -1
BASES: Final = tuple(KermaBasis)
DEVICE, CALIBRATION, MODEL = range(len(BASES))
"""A column of bases holds places in ``BASES``, or ``UNKNOWN``."""

NO_DAY: Final = 0


@dataclass(frozen=True, slots=True)
class TechniqueColumns:
    """Exposures as columns; NaN is 'not told'.

    ``tube`` is the place in a list of tubes, ``day`` the ordinal of a date (``NO_DAY``: not known).
    """

    tube: Ints
    day: Ints
    tube_kv: Floats
    tube_current_ma: Floats
    exposure_ms: Floats
    set_exposure_ms: Floats
    exposure_mas: Floats
    source_to_skin_mm: Floats
    reported_kerma_mgy: Floats
    reported_kap_mgycm2: Floats

    @staticmethod
    def of(
        techniques: Iterable[ExposureTechnique], places: Mapping[str, int], elsewhere: int
    ) -> "TechniqueColumns":
        """Lay exposures out. ``places`` are those of the tubes; any other is at ``elsewhere``."""
        told = list(techniques)
        names = [field.name for field in fields(TechniqueColumns)][2:]
        columns = {
            name: np.array(
                [math.nan if (v := getattr(one, name)) is None else v for one in told],
                dtype=np.float64,
            )
            for name in names
        }
        return TechniqueColumns(
            tube=np.array([places.get(one.tube, elsewhere) for one in told], dtype=np.int64),
            day=np.array(
                [NO_DAY if one.on is None else one.on.toordinal() for one in told], dtype=np.int64
            ),
            **columns,
        )

    def __len__(self) -> int:
        return len(self.tube)

    def rows(self, chosen: npt.NDArray[np.generic]) -> "TechniqueColumns":
        """Take some rows, by place or by flag."""
        return TechniqueColumns(*(getattr(self, f.name)[chosen] for f in fields(TechniqueColumns)))


@dataclass(frozen=True, slots=True)
class SettingsKerma:
    """Kerma at the skin by the settings alone, NaN where unknown; the uncertainty is without that
    of the distance."""

    kerma_mgy: Floats
    basis: Ints
    uncertainty: Floats


@dataclass(frozen=True, slots=True)
class KermaColumns:
    """What ``ExposureKerma`` holds, as columns; NaN is unknown, uncertainties are relative."""

    kerma_mgy: Floats
    kerma_basis: Ints
    kerma_uncertainty: Floats
    kap_mgycm2: Floats
    kap_basis: Ints
    kap_uncertainty: Floats
    at_reference_mgy: Floats


def told_distance_column(told: TechniqueColumns, tube: TubeGeometry) -> Floats:
    """The distances from focus to skin in mm, as ``told_distance_mm`` finds each."""
    own = math.nan if tube.source_to_skin_mm is None else tube.source_to_skin_mm
    return np.where(np.isnan(told.source_to_skin_mm), own, told.source_to_skin_mm)


def skin_column(told: TechniqueColumns, tube: TubeGeometry) -> Floats:
    """The same as ``skin_distance_mm`` finds each: NaN where it serves for nothing."""
    skin = told_distance_column(told, tube)
    return np.where((skin >= USABLE_MM[0]) & (skin <= USABLE_MM[1]), skin, math.nan)


def area_column(tube: TubeGeometry, skin_mm: Floats) -> Floats:
    """The field's areas at the skin in cm²; NaN where the tube's data do not tell them."""
    if tube.field is None:
        return np.full(len(skin_mm), math.nan)
    if tube.field.at_distance_mm is None:
        return np.full(len(skin_mm), field_area_cm2(tube.field))
    there = field_area_cm2(tube.field, tube.field.at_distance_mm)
    return there * (skin_mm / tube.field.at_distance_mm) ** 2


def estimate_columns(
    told: TechniqueColumns, tube: TubeGeometry, model: SpectrumModel | None
) -> KermaColumns:
    """Estimate exposures of one tube, as ``kerma.estimate`` does each."""
    skin_mm = skin_column(told, tube)
    area_cm2 = area_column(tube, skin_mm)
    area_power = area_distance_power(tube)
    nothing = told.exposure_ms == 0
    has_kerma = (told.reported_kerma_mgy > 0) | ((told.reported_kerma_mgy == 0) & nothing)
    has_kap = (told.reported_kap_mgycm2 > 0) | ((told.reported_kap_mgycm2 == 0) & nothing)
    by_kap = ~has_kerma & has_kap & ~np.isnan(area_cm2)
    settings = settings_kerma(told, tube, skin_mm, model)

    of_area = combined(DEVICE_RELATIVE_STANDARD_UNCERTAINTY, AREA_RELATIVE_STANDARD_UNCERTAINTY)
    kerma = np.where(
        has_kerma,
        told.reported_kerma_mgy,
        np.where(by_kap, told.reported_kap_mgycm2 / area_cm2, settings.kerma_mgy),
    )
    basis = np.where(has_kerma | by_kap, DEVICE, settings.basis)
    own = np.where(
        has_kerma,
        DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
        np.where(by_kap, of_area, settings.uncertainty),
    )
    power = np.where(has_kerma, 0.0, np.where(by_kap, -area_power, -2.0))

    kap = np.where(has_kap, told.reported_kap_mgycm2, np.minimum(kerma * area_cm2, LARGEST_FIGURE))
    kap_basis = np.where(has_kap, DEVICE, np.where(np.isnan(kap), UNKNOWN, basis))
    kap_uncertainty = np.where(
        has_kap,
        DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
        combined_columns(
            (own, 1.0),
            (AREA_RELATIVE_STANDARD_UNCERTAINTY, 1.0),
            (DISTANCE_RELATIVE_STANDARD_UNCERTAINTY, power + area_power),
        ),
    )
    there = tube.reference_distance_mm or tube.source_to_skin_mm or math.nan
    return KermaColumns(
        kerma_mgy=kerma,
        kerma_basis=basis,
        kerma_uncertainty=np.where(basis == UNKNOWN, math.nan, with_distance(own, power)),
        kap_mgycm2=kap,
        kap_basis=kap_basis,
        kap_uncertainty=np.where(kap_basis == UNKNOWN, math.nan, kap_uncertainty),
        at_reference_mgy=kerma * (skin_mm / there) ** 2,
    )


def settings_kerma(
    told: TechniqueColumns,
    tube: TubeGeometry,
    skin_mm: Floats,
    model: SpectrumModel | None,
) -> SettingsKerma:
    """Compute kerma from the settings alone: by the calibration of each day, else the model."""
    number = len(told)
    output, distance_mm = np.full(number, math.nan), np.full(number, math.nan)
    basis = np.full(number, UNKNOWN, dtype=np.int64)
    uncertainty = np.full(number, math.nan)
    complete = ~(np.isnan(told.tube_current_ma) | np.isnan(told.exposure_ms) | np.isnan(skin_mm))
    in_use, expired = calibrations_on(told.day, tube)
    for place, calibration in enumerate(calibrations_by_day(tube)):
        laid = laid_out(calibration)
        rows = complete & (in_use == place) & _reaches(laid.curve, told.tube_kv)
        kv = told.tube_kv[rows]
        beyond = KV_EXPONENT_UNCERTAINTY * np.abs(
            np.log(kv / np.clip(kv, laid.first_kv, laid.last_kv))
        )
        late = np.where(expired[rows], EXPIRED_RELATIVE_STANDARD_UNCERTAINTY, 0.0)
        output[rows] = read_curve(laid.curve, kv)
        distance_mm[rows] = calibration.reference_distance_mm
        basis[rows] = CALIBRATION
        uncertainty[rows] = combined_columns(
            (laid.fixed_uncertainty, 1.0), (late, 1.0), (beyond, 1.0)
        )
    curve = _model_curve(tube, model)
    if curve is not None and model is not None:
        rows = complete & (basis == UNKNOWN) & _reaches(curve, told.tube_kv)
        output[rows] = read_curve(curve, told.tube_kv[rows])
        distance_mm[rows] = model.reference_distance_mm
        basis[rows] = MODEL
        uncertainty[rows] = MODEL_RELATIVE_STANDARD_UNCERTAINTY[tube.waveform]
    kerma_mgy = incident_air_kerma_mgy(
        output_ugy_per_mas=output,
        reference_distance_mm=distance_mm,
        tube_current_ma=told.tube_current_ma,
        exposure_ms=told.exposure_ms,
        source_to_skin_mm=skin_mm,
    )
    return SettingsKerma(kerma_mgy, basis, uncertainty)


def calibrations_by_day(tube: TubeGeometry) -> list[TubeCalibration]:
    """The tube's calibrations by the day that they were measured on."""
    return sorted(tube.calibrations, key=lambda c: c.measured_on)


def calibrations_on(day: Ints, tube: TubeGeometry) -> tuple[Ints, Flags]:
    """Place, among the tube's calibrations by day, of the one in use (-1: none), and if expired."""
    ordered = calibrations_by_day(tube)
    if not ordered:
        return np.full(len(day), -1, dtype=np.int64), np.zeros(len(day), dtype=np.bool_)
    measured = np.array([c.measured_on.toordinal() for c in ordered], dtype=np.int64)
    until = np.array([c.valid_until.toordinal() for c in ordered], dtype=np.int64)
    place = np.searchsorted(measured, day, side="right") - 1
    place = np.where(day == NO_DAY, len(ordered) - 1, place)
    return place, (day != NO_DAY) & (place >= 0) & (day > until[place])


def read_curve(curve: OutputCurve, tube_kv: Floats) -> Floats:
    """Read a curve as ``OutputCurve.read`` does, all values being within its reach."""
    log_kv, log_output = np.array(curve.log_kv), np.array(curve.log_output)
    if len(log_kv) == 1:
        return np.full(len(tube_kv), math.exp(curve.log_output[0]))
    x = np.log(tube_kv)
    above = np.clip(np.searchsorted(log_kv, x, side="left"), 1, len(log_kv) - 1)
    share = (x - log_kv[above - 1]) / (log_kv[above] - log_kv[above - 1])
    read: Floats = np.exp(log_output[above - 1] * (1.0 - share) + log_output[above] * share)
    return read


def without_calibrations(tube: TubeGeometry) -> TubeGeometry:
    """The same tube, as the model alone knows it."""
    return replace(tube, calibrations=())


def _reaches(curve: OutputCurve, tube_kv: Floats) -> Flags:
    reached: Flags = (tube_kv >= curve.lowest_kv) & (tube_kv <= curve.highest_kv)
    return reached


def _model_curve(tube: TubeGeometry, model: SpectrumModel | None) -> OutputCurve | None:
    filtration, angle = tube.filtration_mm_al, tube.anode_angle_degrees
    if model is None or filtration is None or angle is None:
        return None
    try:
        return model_curves(model.grid, known_wave(tube.waveform), filtration, angle)[0]
    except OutOfRange:
        return None


def combined_columns(*inputs: tuple[Floats | float, Floats | float]) -> Floats:
    """Combine columns of relative standard uncertainty and power, as ``combined_powers`` does."""
    factors = [(1.0 + np.square(u)) ** np.square(p) for u, p in inputs]
    combined: Floats = np.sqrt(math.prod(factors[1:], start=factors[0]) - 1.0)
    return combined


def with_distance(uncertainty: Floats, power: Floats | float) -> Floats:
    """Combine columns of uncertainty with that of the distance to the skin, by its power."""
    return combined_columns((uncertainty, 1.0), (DISTANCE_RELATIVE_STANDARD_UNCERTAINTY, power))
