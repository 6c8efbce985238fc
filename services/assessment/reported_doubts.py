"""Reported figures that fit neither the settings nor each other."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from services.assessment.chosen_output import KermaBasis
from services.assessment.dose_doubt import NOT_CHANGED, Doubt, asked, is_far, log_ratio
from services.assessment.dose_slips import KAP, KERMA, Slip, explaining
from services.assessment.exposure_technique import ExposureTechnique
from services.assessment.kerma import ExposureKerma
from services.assessment.kerma_uncertainty import (
    AREA_RELATIVE_STANDARD_UNCERTAINTY,
    DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
    log_deviation,
)
from services.assessment.plausible_ranges import FIELD_CM2, Expected

PAIR_DEVIATION: Final = math.hypot(
    log_deviation(DEVICE_RELATIVE_STANDARD_UNCERTAINTY),
    log_deviation(DEVICE_RELATIVE_STANDARD_UNCERTAINTY),
    log_deviation(AREA_RELATIVE_STANDARD_UNCERTAINTY),
)
"""Of the area that a reported kerma and area product imply, against the collimator's."""


@dataclass(frozen=True, slots=True)
class ToldFigures:
    """What the device reported, a bare 0 left out, and which figures are computed from what."""

    kerma: float | None
    kap: float | None
    kerma_computed: bool
    kap_computed: bool

    @staticmethod
    def of(technique: ExposureTechnique, found: ExposureKerma) -> "ToldFigures":
        return ToldFigures(
            kerma=technique.reported_kerma_mgy or None,
            kap=technique.reported_kap_mgycm2 or None,
            kerma_computed=found.kerma is None or found.kerma.basis is not KermaBasis.DEVICE,
            kap_computed=found.kap is None or found.kap.basis is not KermaBasis.DEVICE,
        )


def against_settings(told: ToldFigures, expected: Expected) -> Iterator[Doubt]:
    """Ask about each reported figure that is far from what the settings give."""
    if told.kerma is not None:
        yield from _far_off(
            "kerma-implausible",
            "air kerma",
            "mGy",
            told.kerma,
            expected.kerma_mgy,
            expected.kerma_deviation,
            KERMA,
            expected.basis,
            (True, told.kap is None),
        )
    if told.kap is not None:
        yield from _far_off(
            "kap-implausible",
            "kerma-area product",
            "mGy·cm²",
            told.kap,
            expected.kap_mgycm2,
            expected.kap_deviation,
            KAP,
            expected.basis,
            (told.kerma is None, True),
        )


def _far_off(
    code: str,
    name: str,
    unit: str,
    value: float,
    expected: float,
    deviation: float,
    slips: Sequence[Slip],
    basis: str,
    figures: tuple[bool, bool],
) -> Iterator[Doubt]:
    if expected <= 0:
        yield Doubt(
            code,
            (),
            f"A {name} of {value:.3g} {unit} was told of an exposure that delivered nothing: "
            f"which holds? {NOT_CHANGED}",
            *figures,
        )
        return
    ratio = log_ratio(value, expected)
    if not is_far(ratio, deviation):
        return
    suspected = explaining(ratio, deviation, slips)
    yield Doubt(
        code,
        tuple(slip.name for slip in suspected),
        f"The {name} told, {value:.3g} {unit}, is {_times(ratio)} the {expected:.3g} {unit} that "
        f"{basis}: {asked(suspected)} {NOT_CHANGED}",
        *figures,
    )


def against_each_other(told: ToldFigures, doubts: list[Doubt], area: float | None) -> list[Doubt]:
    """Hold kerma and area product against the collimator's field at the skin, in cm².

    Without an ``area``, not known or itself in doubt, any dental field is good enough. Where one
    of the two is asked about already, nothing is added.
    """
    if not told.kerma or not told.kap:
        return doubts
    implied = log_ratio(told.kap, told.kerma)
    lowest, highest = (area, area) if area is not None else FIELD_CM2
    ratio = implied - min(max(implied, math.log(lowest)), math.log(highest))
    if not is_far(ratio, PAIR_DEVIATION) or doubts:
        return doubts
    # A slip in the kerma puts the inverse of its factor on the area.
    of_kerma = explaining(-ratio, PAIR_DEVIATION, KERMA)
    suspected = (*explaining(ratio, PAIR_DEVIATION, KAP), *of_kerma)[:3]
    limit = "the collimator's field is" if area is not None else "a dental field is"
    size = f"{area:.3g}" if area is not None else f"{lowest:g} to {highest:g}"
    return [
        Doubt(
            "area-implausible",
            tuple(slip.name for slip in suspected),
            f"The kerma-area product told, {told.kap:.3g} mGy·cm², over the air kerma told, "
            f"{told.kerma:.3g} mGy, is a field of {_exp(implied):.3g} cm², and {limit} {size} cm²: "
            f"{asked(suspected)} {NOT_CHANGED}",
            of_kerma=True,
            of_kap=True,
        )
    ]


def _times(ratio: float) -> str:
    times = _exp(abs(ratio))
    shown = f"{times:.2g}" if times < 100 else f"{times:.0f}" if times < 1e6 else f"{times:.1e}"
    return f"about {shown} times" if ratio >= 0 else f"1/{shown} of"


def _exp(logarithm: float) -> float:
    return math.exp(min(max(logarithm, -600.0), 600.0))
