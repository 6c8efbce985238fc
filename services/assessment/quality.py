"""Hints on an image's exposure and field: from its exposure index, and from its pixels.

A hint asks a person to look. It decides nothing, and nothing counts or fails to count for it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from schemas.conclusions import Concern, QualityHint
from schemas.facts import ImageStored
from schemas.facts.image import PixelStatistics
from schemas.quality import DeviationBands

ROUNDING: Final = 0.15
"""By how much a told deviation index may miss that of its own two indices: both are rounded."""

# Of invented images (`python -m tests.bench.pixel_hints` measures them on others); real stations
# process their pixels, each in its own way, so these are starting points and no published values.
BLACK_SHARE_OVER: Final = 0.15
WHITE_MEDIAN_UNDER: Final = 0.46
WHITE_SHARE_CUT: Final = 0.05
BORDER_SHARE_CUT: Final = 0.40


@dataclass(frozen=True, slots=True)
class QualityImage:
    """One image and the natural key of its fact."""

    fact_key: str
    told: ImageStored


def quality_hints(
    images: Sequence[QualityImage], bands: DeviationBands | None
) -> tuple[QualityHint, ...]:
    """Give the hints of all images, by image and code."""
    hints = [hint for image in images for hint in _hints(image, bands)]
    return tuple(sorted(hints, key=lambda hint: (hint.sop_instance_uid, hint.code)))


def deviation_index(exposure_index: float | None, target: float | None) -> float | None:
    """DI = 10 · log10(EI / EI_T) (IEC 62494-1); None where either is missing or not above 0."""
    if exposure_index is None or target is None:
        return None
    usable = all(math.isfinite(value) and value > 0 for value in (exposure_index, target))
    return 10.0 * math.log10(exposure_index / target) if usable else None


def _hints(image: QualityImage, bands: DeviationBands | None) -> Iterator[QualityHint]:
    told = image.told
    computed = deviation_index(told.exposure_index, told.target_exposure_index)
    stated = told.deviation_index
    if stated is not None and not math.isfinite(stated):
        stated = None
    if stated is not None and computed is not None and abs(stated - computed) > ROUNDING:
        yield _hint(
            image,
            "deviation-index-differs",
            Concern.NOTE,
            f"The image states a deviation index of {stated:+.1f}; its exposure index and target "
            f"give {computed:+.1f}. One of the three is wrong or of another scale.",
            "deviation-index-recomputed",
            computed,
        )
    index = stated if stated is not None else computed
    if index is not None and bands is not None:
        band = bands.band(index)
        if band.concern != "none":
            memory = ", from memory" if bands.basis == "memory" else ""
            yield _hint(
                image,
                band.code,
                Concern(band.concern),
                f"Deviation index {index:+.1f}: {band.words}. Adapted from {bands.source}"
                f"{memory}: for people, dental systems left out.",
                "deviation-index-bands",
                index,
            )
    if told.pixels is not None:
        yield from _pixel_hints(image, told.pixels)


def _pixel_hints(image: QualityImage, pixels: PixelStatistics) -> Iterator[QualityHint]:
    suspicion = suspect(pixels)
    if suspicion is not None:
        code, words = suspicion
        yield _hint(
            image,
            code,
            Concern.NOTE,
            f"{words} Only a hint from the stored pixels; look at the image.",
            "pixel-statistics",
            None,
        )


def suspect(pixels: PixelStatistics) -> tuple[str, str] | None:
    """Tell what an image's pixels suggest: at most one code with its words.

    Black is the end of the stored range that much radiation gives, white that of none, whichever
    way round the values are stored.
    """
    black, white = pixels.low_share, pixels.high_share
    if pixels.inverted:
        black, white = white, black
    if black > BLACK_SHARE_OVER:
        return (
            "suspected-overexposure",
            f"{black:.0%} of the image is burnt out to black: more exposure than it needed?",
        )
    if white > WHITE_SHARE_CUT and pixels.border_share > BORDER_SHARE_CUT:
        return (
            "suspected-cut-off",
            f"{white:.0%} of the image is blank, up to a border: was part of the receptor outside "
            "the beam?",
        )
    if whiteness(pixels) > WHITE_MEDIAN_UNDER:
        return ("suspected-underexposure", "The image is pale throughout: too little exposure?")
    return None


def whiteness(pixels: PixelStatistics) -> float:
    """Where the median lies between black (0) and white (1)."""
    span = (1 << pixels.bits_stored) - 1
    # A stored value below 0 is of signed pixels (PS3.3 C.7.6.3, Pixel Representation 1).
    lowest = -(1 << (pixels.bits_stored - 1)) if pixels.minimum < 0 else 0
    share = (pixels.median - lowest) / span
    return 1.0 - share if pixels.inverted else share


def _hint(
    image: QualityImage, code: str, concern: Concern, words: str, rule: str, index: float | None
) -> QualityHint:
    return QualityHint(
        code=code,
        sop_instance_uid=image.told.sop_instance_uid,
        concern=concern,
        words=words[:2000],
        deviation_index=index,
        rule=rule,
        facts=(image.fact_key,),
    )
