"""Settings and distances that no dental exposure has, and charges that are no product."""

from collections.abc import Iterator, Sequence
from typing import Final

from schemas.outputs import SpectrumModel
from services.assessment.beam_geometry import charge_mas, told_distance_mm
from services.assessment.dose_doubt import NOT_CHANGED, Doubt, asked, log_ratio
from services.assessment.dose_slips import (
    CHARGE,
    DISTANCE,
    TIME,
    TUBE_CURRENT,
    TUBE_KV,
    Slip,
    explaining,
    landing,
)
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.plausible_ranges import CURRENT_MA, TIME_MS, distance_range, kv_range
from services.assessment.reported_doubts import ToldFigures

CHARGE_SHARE: Final = 0.10
CHARGE_ROUNDED_MAS: Final = 0.5
"""A told mAs may miss mA times s by a tenth; a whole number (DICOM Exposure, 0018,1152) also by
what rounding takes. Our own choice."""


def setting_doubts(
    technique: ExposureTechnique, tube: TubeGeometry, model: SpectrumModel | None, told: ToldFigures
) -> Iterator[Doubt]:
    """Ask about each setting that lies outside its range; what was reported rests on none."""
    computed = (told.kerma_computed, told.kap_computed)
    delivered = technique.exposure_ms
    # A time of nothing was released at once, which is legal.
    times = (technique.set_exposure_ms, delivered if delivered != 0 else None)
    yield from _outside(
        "kv-implausible",
        "tube potential",
        "kV",
        (technique.tube_kv,),
        kv_range(model),
        TUBE_KV,
        computed,
    )
    yield from _outside(
        "current-implausible",
        "tube current",
        "mA",
        (technique.tube_current_ma,),
        CURRENT_MA,
        TUBE_CURRENT,
        computed,
    )
    yield from _outside("time-implausible", "time", "ms", times, TIME_MS, TIME, computed)
    yield from _charge(technique, computed)
    # A kerma from an area product, and a product from a kerma, rest on the distance too.
    by_distance = (told.kerma is None, told.kap is None)
    if technique.source_to_skin_mm == 0:
        yield Doubt(
            "distance-implausible",
            ("zero-distance",),
            "A distance of 0 mm from focus to skin was told, where kerma would have no bound: "
            f"was it not known? {NOT_CHANGED}",
            *by_distance,
        )
        return
    distances = (told_distance_mm(technique, tube),)
    yield from _outside(
        "distance-implausible",
        "distance from focus to skin",
        "mm",
        distances,
        distance_range(tube),
        DISTANCE,
        by_distance,
    )


def _outside(
    code: str,
    name: str,
    unit: str,
    values: Sequence[float | None],
    bounds: tuple[float, float],
    slips: Sequence[Slip],
    figures: tuple[bool, bool],
) -> Iterator[Doubt]:
    """Ask about the first of some values that lies outside its range."""
    lowest, highest = bounds
    value = next((v for v in values if v is not None and not lowest <= v <= highest), None)
    if value is None:
        return
    suspected = landing(value, lowest, highest, slips)
    yield Doubt(
        code,
        tuple(slip.name for slip in suspected),
        f"The {name} told, {value:.4g} {unit}, is not between {lowest:.4g} and {highest:.4g} "
        f"{unit}: {asked(suspected)} {NOT_CHANGED}",
        *figures,
    )


def _charge(technique: ExposureTechnique, figures: tuple[bool, bool]) -> Iterator[Doubt]:
    told, ma, ms = technique.exposure_mas, technique.tube_current_ma, technique.exposure_ms
    if not told or not ma or not ms:
        return
    product = charge_mas(ma, ms)
    if product == 0:
        return
    slack = max(CHARGE_SHARE * product, CHARGE_ROUNDED_MAS if told == round(told) else 0.0)
    if abs(told - product) <= slack:
        return
    suspected = explaining(log_ratio(told, product), CHARGE_SHARE, CHARGE)
    yield Doubt(
        "charge-implausible",
        tuple(slip.name for slip in suspected),
        f"{told:.4g} mAs were told, and {ma:.4g} mA for {ms:.4g} ms, which are {product:.4g} mAs: "
        f"{asked(suspected)} {NOT_CHANGED}",
        *figures,
    )
