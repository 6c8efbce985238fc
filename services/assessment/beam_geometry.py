"""Distance and field: inverse square, the field's area at the skin, the kerma-area product."""

import math
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

from services.assessment.exposure_technique import (
    BeamField,
    ExposureTechnique,
    RoundField,
    TubeGeometry,
)

USABLE_MM: Final = (1e-3, 1e6)
"""Distances that can be squared and divided by. What lies outside, a told 0 above all, serves for
nothing; that it is implausible is asked about long before."""

LARGEST_FIGURE: Final = 1e300
"""A device may tell any finite number, and none may stop an assessment by overflowing in it."""

_Figure = TypeVar("_Figure", float, npt.NDArray[np.float64])
"""One exposure's figure, or a column of very many."""


def charge_mas(tube_current_ma: _Figure, exposure_ms: _Figure) -> _Figure:
    """Return the tube's charge in mAs."""
    return tube_current_ma * exposure_ms / 1000.0


def incident_air_kerma_mgy(
    *,
    output_ugy_per_mas: _Figure,
    reference_distance_mm: _Figure,
    tube_current_ma: _Figure,
    exposure_ms: _Figure,
    source_to_skin_mm: _Figure,
) -> _Figure:
    """Return incident air kerma in mGy by inverse square from the reference distance.

    ``exposure_ms`` is the delivered time. The loss in the cone's air (1 to 1.5 % in 20 cm) is
    left out.
    """
    exposure_mas = charge_mas(tube_current_ma, exposure_ms)
    kerma_ugy = output_ugy_per_mas * exposure_mas * (reference_distance_mm / source_to_skin_mm) ** 2
    return kerma_ugy / 1000.0


def field_area_cm2(field: BeamField, source_to_skin_mm: float | None = None) -> float:
    """Return the field's area at the skin in cm².

    A field that is told at another distance from focus than the skin's widens with the distance;
    without ``source_to_skin_mm`` the field is taken to be told at the skin.
    """
    if isinstance(field, RoundField):
        area_mm2 = math.pi * field.diameter_mm**2 / 4.0
    else:
        area_mm2 = field.width_mm * field.height_mm
    if field.at_distance_mm is not None and source_to_skin_mm is not None:
        area_mm2 *= (source_to_skin_mm / field.at_distance_mm) ** 2
    return area_mm2 / 100.0


def kerma_area_product_mgycm2(kerma_mgy: float, area_cm2: float) -> float:
    """Return the kerma-area product in mGy·cm²; kerma and area belong to one distance."""
    return min(kerma_mgy * area_cm2, LARGEST_FIGURE)


def skin_distance_mm(technique: ExposureTechnique, tube: TubeGeometry) -> float | None:
    """The distance that serves: told with the exposure, else the tube's; see ``USABLE_MM``."""
    told = told_distance_mm(technique, tube)
    return told if told is not None and USABLE_MM[0] <= told <= USABLE_MM[1] else None


def told_distance_mm(technique: ExposureTechnique, tube: TubeGeometry) -> float | None:
    """The distance told with the exposure, whatever it is, else the tube's."""
    if technique.source_to_skin_mm is not None:
        return technique.source_to_skin_mm
    return tube.source_to_skin_mm


def area_at_skin_cm2(tube: TubeGeometry, skin_mm: float | None) -> float | None:
    """The field's area at the skin in cm²; ``None`` where the tube's data do not tell it."""
    if tube.field is None or (tube.field.at_distance_mm is not None and skin_mm is None):
        return None
    return field_area_cm2(tube.field, skin_mm)


def area_distance_power(tube: TubeGeometry) -> float:
    """The power of the skin's distance in the field's area: 0 where that is told at the skin."""
    return 0.0 if tube.field is None or tube.field.at_distance_mm is None else 2.0
