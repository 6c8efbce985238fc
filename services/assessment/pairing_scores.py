"""How well one exposure and one image agree: time, technique, teeth. Natural log likelihoods.

The figures are our own starting values, chosen for the behaviour that the simulated rooms of the
tests measure; none is published.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from services.assessment.clock_offset import Floats, Places

TIME_REACH_S: Final = 25.0
"""Pairs further from the usual delay than this are not considered, in seconds."""

USUAL_SPREAD_S: Final = 1.3
"""Standard deviation of an image's delay before a day has shown its own, in seconds."""

_TAIL_S: Final = 8.0
_TAIL_SHARE: Final = 0.03

MAKES_IMAGE: Final = 0.95
_MAKES_IMAGE_ENDED_EARLY: Final = 0.3
_MAKES_IMAGE_TEST: Final = 0.5
_MAKES_IMAGE_AT_ONCE_ON_PLATE: Final = 0.02

FOREIGN_IMAGES_PER_S: Final = 3e-4
"""Rate of images whose exposure was not told here: imported, or the generator was silent."""

_TECHNIQUE_TRUE: Final = 0.99
"""How often a true pair agrees in technique, where the header tells any."""

_TEETH_TRUE: Final = 0.93
"""How often a true pair agrees in teeth: a preset is sometimes left from the view before."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """One exposure as linking sees it. Times are seconds UTC; ``teeth`` those of its preset.

    ``study`` and ``event`` (Irradiation Event UID) are known where a station told the exposure
    too; ``plate`` where it was on a phosphor plate, whose image is made when it is scanned.
    """

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
    counter: int | None = None
    plate: bool | None = None
    study: str | None = None
    event: str | None = None

    @property
    def makes_image(self) -> float:
        """The chance that an image comes of it at once."""
        if self.ended_early:
            return _MAKES_IMAGE_ENDED_EARLY
        if self.plate:
            return _MAKES_IMAGE_AT_ONCE_ON_PLATE
        return _MAKES_IMAGE_TEST if self.test else MAKES_IMAGE


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
    event: str | None = None


def time_density(residual_s: Floats, spread_s: float) -> Floats:
    """Density, per second, of the time by which a true pair misses the usual delay."""
    core = np.exp(-0.5 * (residual_s / spread_s) ** 2) / spread_s
    tail = np.exp(-0.5 * (residual_s / _TAIL_S) ** 2) / _TAIL_S
    mixed: Floats = (1.0 - _TAIL_SHARE) * core + _TAIL_SHARE * tail
    return mixed / math.sqrt(2.0 * math.pi)


def technique_agrees(exposure: Exposure, image: Image) -> bool | None:
    """Tell whether what the header says of kV, mA and ms is the exposure's; None if it is silent.

    Tolerances: 1 kV, 10 % or 1 mA, 5 % or 1 ms (a header may tell whole numbers only). An image
    may tell the set or the delivered time.
    """
    told = False
    if image.tube_kv is not None:
        told = True
        if abs(image.tube_kv - exposure.tube_kv) > 1.0:
            return False
    if image.tube_current_ma is not None:
        told = True
        tolerance_ma = max(1.0, 0.1 * exposure.tube_current_ma)
        if abs(image.tube_current_ma - exposure.tube_current_ma) > tolerance_ma:
            return False
    if image.exposure_ms is not None:
        told = True
        delivered_ms, set_ms = exposure.exposure_ms, exposure.set_exposure_ms
        if not (
            abs(image.exposure_ms - delivered_ms) <= max(1.0, 0.05 * delivered_ms)
            or abs(image.exposure_ms - set_ms) <= max(1.0, 0.05 * set_ms)
        ):
            return False
    return True if told else None


def teeth_agree(exposure: Exposure, image: Image) -> bool | None:
    """Tell whether preset and image share a tooth; None where either names none."""
    if not exposure.teeth or not image.teeth:
        return None
    return bool(exposure.teeth & image.teeth)


class Agreement:
    """Weighs agreement by how common it is among the room's exposures.

    That all exposures of a room share their kV says nothing; a rare exposure time says much.
    Exposures and images of one kind are weighed once.
    """

    def __init__(self, exposures: Sequence[Exposure], images: Sequence[Image]) -> None:
        self._technique = _Kinds(
            [(e.tube_kv, e.tube_current_ma, e.set_exposure_ms, e.exposure_ms) for e in exposures],
            [(i.tube_kv, i.tube_current_ma, i.exposure_ms) for i in images],
        )
        self._teeth = _Kinds([e.teeth for e in exposures], [i.teeth for i in images])
        technique, teeth = self._technique, self._teeth
        technique.weigh(
            [
                [technique_agrees(exposures[e], images[i]) for e in technique.first_of]
                for i in technique.second_of
            ],
            _TECHNIQUE_TRUE,
        )
        told = [exposures[e].teeth for e in teeth.first_of]
        teeth.weigh(
            [_shared(told, images[i].teeth) for i in teeth.second_of],
            _TEETH_TRUE,
        )

    def scores(self, i: Places, j: Places) -> Floats:
        """Log likelihood ratio of what each image says, for a true pair against any other."""
        return self._technique.scores(i, j) + self._teeth.scores(i, j)


def _shared(presets: Sequence[frozenset[int]], shown: frozenset[int]) -> list[bool | None]:
    """Tell for each preset whether it shares a tooth with what an image shows."""
    if not shown:
        return [None] * len(presets)
    return [not preset.isdisjoint(shown) if preset else None for preset in presets]


class _Kinds:
    """Members by kind, so that a question is asked once for each pair of kinds.

    ``first_of`` and ``second_of`` are the first member of each kind.
    """

    def __init__(self, of_first: Sequence[object], of_second: Sequence[object]) -> None:
        self._first, self.first_of = _numbered(of_first)
        self._second, self.second_of = _numbered(of_second)
        self._table: Floats = np.zeros((0, 0))

    def weigh(self, answers: Sequence[Sequence[bool | None]], true_share: float) -> None:
        """Weigh the answers, one row for each kind of the second, by how common each is."""
        if not answers:
            return
        counts = np.bincount(self._first, minlength=len(self.first_of)).astype(np.float64)
        # 1 for yes, 0 for no, NaN for no answer.
        asked = np.array(answers, dtype=np.float64)
        silent = np.isnan(asked)
        told = np.where(silent, 0.0, counts).sum(axis=1)
        yes = np.where(asked == 1.0, counts, 0.0).sum(axis=1)
        # Share of agreement by chance, held off 0 and 1 by one answer of each kind.
        share = ((yes + 1.0) / (told + 2.0))[:, None]
        agrees = np.log(true_share / share)
        differs = np.log((1.0 - true_share) / (1.0 - share))
        self._table = np.where(silent, 0.0, np.where(asked == 1.0, agrees, differs)).T

    def scores(self, i: Places, j: Places) -> Floats:
        found: Floats = self._table[self._first[i], self._second[j]]
        return found


def _numbered(kinds: Sequence[object]) -> tuple[Places, list[int]]:
    """Number the kinds as they come up; give each member's number and each kind's first member."""
    number_of: dict[object, int] = {}
    first_of: list[int] = []
    numbers: list[int] = []
    for member, kind in enumerate(kinds):
        if kind not in number_of:
            number_of[kind] = len(first_of)
            first_of.append(member)
        numbers.append(number_of[kind])
    return np.asarray(numbers, dtype=np.int64), first_of
