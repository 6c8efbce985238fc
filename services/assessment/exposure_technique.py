"""What the dose of one exposure is computed from: its technique, its tube, its beam."""

import math
from dataclasses import dataclass
from datetime import date

from schemas.errors import InvalidInput
from schemas.outputs import Waveform
from schemas.tube_calibration import TubeCalibration


def _check(field: str, value: float | None, *, zero: bool = False) -> None:
    if value is None:
        return
    if not math.isfinite(value) or value < 0 or (value == 0 and not zero):
        least = "a finite number of at least 0" if zero else "a finite number above 0"
        raise InvalidInput(field, value, least)


@dataclass(frozen=True, slots=True)
class RoundField:
    """A round beam: its diameter in mm at ``at_distance_mm`` from focus, or at the skin."""

    diameter_mm: float
    at_distance_mm: float | None = None

    def __post_init__(self) -> None:
        _check("diameter_mm", self.diameter_mm)
        _check("at_distance_mm", self.at_distance_mm)


@dataclass(frozen=True, slots=True)
class RectangularField:
    """A rectangular beam: its sides in mm at ``at_distance_mm`` from focus, or at the skin."""

    width_mm: float
    height_mm: float
    at_distance_mm: float | None = None

    def __post_init__(self) -> None:
        _check("width_mm", self.width_mm)
        _check("height_mm", self.height_mm)
        _check("at_distance_mm", self.at_distance_mm)


BeamField = RoundField | RectangularField


@dataclass(frozen=True, slots=True)
class TubeGeometry:
    """A tube and its beam. ``None`` is 'not known', and never replaced by a guess."""

    filtration_mm_al: float | None = None
    """Total filtration in mm of aluminium."""
    anode_angle_degrees: float | None = None
    source_to_skin_mm: float | None = None
    """Focus to skin in mm, where the exposure itself tells none; most often the cone's length."""
    reference_distance_mm: float | None = None
    """Focus to where doses are compared, in mm; without one that is at ``source_to_skin_mm``."""
    field: BeamField | None = None
    waveform: Waveform = "unknown"
    calibrations: tuple[TubeCalibration, ...] = ()

    def __post_init__(self) -> None:
        _check("filtration_mm_al", self.filtration_mm_al, zero=True)
        _check("anode_angle_degrees", self.anode_angle_degrees)
        _check("source_to_skin_mm", self.source_to_skin_mm)
        _check("reference_distance_mm", self.reference_distance_mm)


@dataclass(frozen=True, slots=True)
class ExposureTechnique:
    """One exposure as told. ``None`` is 'not told', which is legal input."""

    fact_id: str
    tube: str = ""
    """Name of the tube in the mapping of tubes."""
    tube_kv: float | None = None
    tube_current_ma: float | None = None
    exposure_ms: float | None = None
    """Delivered time in ms: shorter than the set time where the exposure ended early."""
    set_exposure_ms: float | None = None
    exposure_mas: float | None = None
    """As told beside current and time: it should be their product. Nothing is computed from it."""
    source_to_skin_mm: float | None = None
    """A told 0 is kept, to be asked about; nothing is computed from it."""
    reported_kerma_mgy: float | None = None
    """Incident air kerma at the skin as the device reports it."""
    reported_kap_mgycm2: float | None = None
    ended_early: bool = False
    repeat: bool = False
    on: date | None = None
    """The day by the site's calendar: it says which calibration holds."""

    def __post_init__(self) -> None:
        _check("tube_kv", self.tube_kv)
        _check("tube_current_ma", self.tube_current_ma)
        _check("exposure_ms", self.exposure_ms, zero=True)
        _check("set_exposure_ms", self.set_exposure_ms, zero=True)
        _check("exposure_mas", self.exposure_mas, zero=True)
        _check("source_to_skin_mm", self.source_to_skin_mm, zero=True)
        _check("reported_kerma_mgy", self.reported_kerma_mgy, zero=True)
        _check("reported_kap_mgycm2", self.reported_kap_mgycm2, zero=True)
