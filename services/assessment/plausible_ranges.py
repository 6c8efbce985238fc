"""What settings, distances and fields a dental exposure can have, and what its kerma should be.

Only to ask by: nothing here enters a dose. Every range is narrower than a thousandfold (a distance
than tenfold), so that no value of it stays in it after a slip of unit.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

from schemas.outputs import SpectrumModel
from services.assessment.beam_geometry import area_at_skin_cm2, skin_distance_mm
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.kerma import kerma_of_settings
from services.assessment.kerma_uncertainty import (
    AREA_RELATIVE_STANDARD_UNCERTAINTY,
    DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
    log_deviation,
)

KV_SLACK: Final = 1.2
"""By how much a tube potential may lie outside the model's range before it is asked about: our own
choice."""

MODEL_KV: Final = (50.0, 90.0)
"""Stands in where no model is given."""

CURRENT_MA: Final = (0.5, 40.0)
TIME_MS: Final = (5.0, 4_000.0)
"""Common practice, no published source: intraoral sets give 1 to 15 mA for 10 ms to 3.2 s. Less
than half a pulse of the mains (8 to 10 ms) is no exposure that a hand could have ended."""

DISTANCE_MM: Final = (80.0, 700.0)
"""Codes ask 100 mm up to 50 kV and 180 mm above (105 CMR 120.407, read); with some slack."""

CONE_SHARES: Final = (0.9, 3.0)
"""From the cone's end (the skin cannot be nearer) to three times as far: our own choice."""

FIELD_CM2: Final = (4.0, 38.5)
"""Where the tube's own field is not known: from the smallest receptor's half to the circle of
7 cm that a code allows (OAR 333-106-0325, read)."""

ASSUMED_TUBE: Final = TubeGeometry(
    filtration_mm_al=2.0, anode_angle_degrees=18.0, source_to_skin_mm=220.0
)
ASSUMED_FIELD_CM2: Final = 20.0
ASSUMED_DEVIATION: Final = 0.5
"""What is not known of a tube or a field is assumed, invented, to ask by; it widens the range."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What a device should about tell, and the standard deviation of the logarithm of the ratio of
    told to expected."""

    kerma_mgy: float
    kerma_deviation: float
    kap_mgycm2: float
    kap_deviation: float
    basis: str


def kv_range(model: SpectrumModel | None) -> tuple[float, float]:
    """The tube potentials that are not asked about, in kV."""
    axis = model.grid.tube_kv if model is not None else MODEL_KV
    return axis[0] / KV_SLACK, axis[-1] * KV_SLACK


def distance_range(tube: TubeGeometry) -> tuple[float, float]:
    """The distances from focus to skin that are not asked about, in mm."""
    lowest, highest = DISTANCE_MM
    if tube.source_to_skin_mm is None or not lowest <= tube.source_to_skin_mm <= highest:
        return lowest, highest
    nearest, farthest = (share * tube.source_to_skin_mm for share in CONE_SHARES)
    return max(lowest, nearest), min(highest, farthest)


def expected_of(
    technique: ExposureTechnique, tube: TubeGeometry, model: SpectrumModel | None
) -> Expected | None:
    """What the settings give, by calibration or model; ``None`` where that cannot be told.

    A tube potential a little outside the model's is read at its end, a tube that is not known as
    a common one: good enough to ask by.
    """
    as_known = kerma_of_settings(technique, tube, model)
    deviation = log_deviation(DEVICE_RELATIVE_STANDARD_UNCERTAINTY)
    if as_known is None:
        if model is None or technique.tube_kv is None:
            return None
        axis = model.grid.tube_kv
        at_end = replace(technique, tube_kv=min(max(technique.tube_kv, axis[0]), axis[-1]))
        kerma = kerma_of_settings(at_end, assumed_tube(tube), model)
        if kerma is None:
            return None
        deviation = math.hypot(deviation, ASSUMED_DEVIATION)
        basis = "the model of a common tube gives"
    else:
        kerma = as_known
        basis = f"the settings give by {kerma.basis}"
    deviation = math.hypot(deviation, log_deviation(kerma.relative_standard_uncertainty))
    area_cm2, area_deviation = field_of(technique, tube)
    return Expected(
        kerma_mgy=kerma.kerma_mgy,
        kerma_deviation=deviation,
        kap_mgycm2=kerma.kerma_mgy * area_cm2,
        kap_deviation=math.hypot(deviation, area_deviation),
        basis=basis,
    )


def assumed_tube(tube: TubeGeometry) -> TubeGeometry:
    """A common tube in place of one that is not known well enough, at its cone and wave."""
    return replace(
        ASSUMED_TUBE,
        source_to_skin_mm=tube.source_to_skin_mm or ASSUMED_TUBE.source_to_skin_mm,
        waveform=tube.waveform,
    )


def field_of(technique: ExposureTechnique, tube: TubeGeometry) -> tuple[float, float]:
    """The field's area at the skin in cm², assumed where it is not known, and its deviation."""
    area_cm2 = area_at_skin_cm2(tube, skin_distance_mm(technique, tube))
    if area_cm2 is None:
        return ASSUMED_FIELD_CM2, ASSUMED_DEVIATION
    return area_cm2, log_deviation(AREA_RELATIVE_STANDARD_UNCERTAINTY)
