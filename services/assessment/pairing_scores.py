"""How well one exposure and one image agree: time, technique, teeth. Natural log likelihoods.

The figures are our own starting values, chosen for the behaviour that the simulated rooms of the
tests measure; none is published.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

TIME_REACH_S: Final = 25.0
"""Pairs further from the usual delay than this are not considered, in seconds."""

_CORE_S: Final = 1.5
_TAIL_S: Final = 8.0
_TAIL_SHARE: Final = 0.03

_MAKES_IMAGE: Final = 0.95
_MAKES_IMAGE_ENDED_EARLY: Final = 0.3
_MAKES_IMAGE_TEST: Final = 0.5

FOREIGN_IMAGES_PER_S: Final = 3e-4
"""Rate of images whose exposure was not told here: imported, or the generator was silent."""

_TECHNIQUE_TRUE: Final = 0.97
"""How often a true pair agrees in technique, where the header tells any."""

_TEETH_TRUE: Final = 0.93
"""How often a true pair agrees in teeth: a preset is sometimes left from the view before."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """One exposure as linking sees it. Times are seconds UTC; ``teeth`` those of its preset."""

    key: str
    device: str
    at_s: float
    tube_kv: float
    tube_current_ma: float
    set_exposure_ms: float
    exposure_ms: float
    teeth: frozenset[int] = frozenset()
    ended_early: bool = False
    test: bool = False

    @property
    def makes_image(self) -> float:
        """The chance that an image comes of it."""
        if self.ended_early:
            return _MAKES_IMAGE_ENDED_EARLY
        return _MAKES_IMAGE_TEST if self.test else _MAKES_IMAGE


@dataclass(frozen=True, slots=True)
class Image:
    """One image as linking sees it; ``None`` where its header is silent."""

    key: str
    study: str
    device: str
    at_s: float
    tube_kv: float | None = None
    tube_current_ma: float | None = None
    exposure_ms: float | None = None
    teeth: frozenset[int] = frozenset()


def time_score(residual_s: float) -> float:
    """Log density, per second, of the time by which a true pair misses the usual delay."""
    core = math.exp(-0.5 * (residual_s / _CORE_S) ** 2) / _CORE_S
    tail = math.exp(-0.5 * (residual_s / _TAIL_S) ** 2) / _TAIL_S
    mixed = (1.0 - _TAIL_SHARE) * core + _TAIL_SHARE * tail
    return math.log(mixed / math.sqrt(2.0 * math.pi))


def technique_agrees(exposure: Exposure, image: Image) -> bool | None:
    """Tell whether what the header says of kV, mA and ms is the exposure's; None if it is silent.

    Tolerances: 1 kV, 10 % or 1 mA, 5 % or 1 ms (a header may tell whole numbers only). An image
    may tell the set or the delivered time.
    """
    told: list[bool] = []
    if image.tube_kv is not None:
        told.append(abs(image.tube_kv - exposure.tube_kv) <= 1.0)
    if image.tube_current_ma is not None:
        tolerance_ma = max(1.0, 0.1 * exposure.tube_current_ma)
        told.append(abs(image.tube_current_ma - exposure.tube_current_ma) <= tolerance_ma)
    if image.exposure_ms is not None:
        told.append(
            any(
                abs(image.exposure_ms - exposure_ms) <= max(1.0, 0.05 * exposure_ms)
                for exposure_ms in (exposure.exposure_ms, exposure.set_exposure_ms)
            )
        )
    return all(told) if told else None


def teeth_agree(exposure: Exposure, image: Image) -> bool | None:
    """Tell whether preset and image share a tooth; None where either names none."""
    if not exposure.teeth or not image.teeth:
        return None
    return bool(exposure.teeth & image.teeth)


class Agreement:
    """Weighs agreement by how common it is among the room's exposures.

    That all exposures of a room share their kV says nothing; a rare exposure time says much.
    """

    def __init__(self, exposures: Sequence[Exposure]) -> None:
        self._exposures = exposures
        self._shares: dict[tuple[object, ...], tuple[float, float]] = {}

    def score(self, exposure: Exposure, image: Image) -> float:
        """Log likelihood ratio of what the image says, for a true pair against any other."""
        technique_share, teeth_share = self._shares_for(image)
        return _ratio(technique_agrees(exposure, image), _TECHNIQUE_TRUE, technique_share) + _ratio(
            teeth_agree(exposure, image), _TEETH_TRUE, teeth_share
        )

    def _shares_for(self, image: Image) -> tuple[float, float]:
        kind = (image.tube_kv, image.tube_current_ma, image.exposure_ms, image.teeth)
        if kind not in self._shares:
            technique = [technique_agrees(exposure, image) for exposure in self._exposures]
            teeth = [teeth_agree(exposure, image) for exposure in self._exposures]
            self._shares[kind] = (_share(technique), _share(teeth))
        return self._shares[kind]


def _share(answers: Sequence[bool | None]) -> float:
    """Share of agreement by chance, held off 0 and 1 by one answer of each kind."""
    told = [answer for answer in answers if answer is not None]
    return (sum(told) + 1.0) / (len(told) + 2.0)


def _ratio(agrees: bool | None, true_share: float, chance_share: float) -> float:
    if agrees is None:
        return 0.0
    if agrees:
        return math.log(true_share / chance_share)
    return math.log((1.0 - true_share) / (1.0 - chance_share))
