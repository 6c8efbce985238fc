"""Where the lines, boxes and marks of the lead's small drawings stand. Pure; templates draw them.

Each drawing stands beside the figures that it shows, so nothing is told by it alone.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from schemas.limits import ReferenceLevel
from schemas.quality import RejectTarget
from schemas.quality.rates import Rate
from services.console.dose_bins import EDGES_MGY, bin_bounds, quantile_mgy
from services.console.lead.figure_lines import Doses

WIDE: Final = 200.0
"""The width of a drawing in a cell."""
_LEFT, _RIGHT, _TOP, _BOTTOM = 64.0, 776.0, 44.0, 240.0
_X_MGY: Final = (0.1, 0.3, 1.0, 3.0, 10.0)
_LEAST_MGY, _MOST_MGY = EDGES_MGY[0] / 10 ** (1 / 8), EDGES_MGY[-1] * 10 ** (1 / 8)


@dataclass(frozen=True, slots=True)
class IntervalMark:
    """A share with its interval, on a scale from nought to ``scale``; ``targets`` as lines."""

    low: float
    at: float
    high: float
    targets: tuple[float, ...]
    known: bool


@dataclass(frozen=True, slots=True)
class BoxMark:
    """The middle half of the doses as a box, the median in it, and from the 5th to the 95th
    of a hundred as a line; on a scale by factors of ten."""

    low: float
    lower: float
    median: float
    upper: float
    high: float


@dataclass(frozen=True, slots=True)
class Bar:
    x: float
    y: float
    width: float
    height: float
    words: str
    count: int


@dataclass(frozen=True, slots=True)
class Tick:
    at: float
    words: str


@dataclass(frozen=True, slots=True)
class Histogram:
    """How many exposures had how much kerma. ``levels``: published human dental values."""

    bars: tuple[Bar, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    levels: tuple[Tick, ...]
    left: float = _LEFT
    right: float = _RIGHT
    top: float = _TOP
    bottom: float = _BOTTOM


def scale_of(rates: Iterable[Rate], targets: Sequence[RejectTarget]) -> float:
    """Choose the share at the right end: round, and beyond every share and target."""
    most = max([1.25 * one.rate for one in targets], default=0.1)
    for one in rates:
        if one.images:
            most = max(most, min(one.high, 2.0 * one.share))
    return min(1.0, math.ceil(most * 20) / 20)


def interval_mark(one: Rate, scale: float, targets: Sequence[RejectTarget]) -> IntervalMark:
    """Place a share and its interval; what lies beyond the scale ends at its edge."""

    def at(share: float) -> float:
        return round(4 + (WIDE - 8) * min(1.0, share / scale), 1)

    lines = tuple(at(target.rate) for target in targets)
    return IntervalMark(at(one.low), at(one.share), at(one.high), lines, one.images > 0)


def box_mark(doses: Doses) -> BoxMark | None:
    """Place the quartiles of the doses; None where no dose is known."""
    if not doses.known:
        return None
    values = [quantile_mgy(doses.bins, share) or 0.0 for share in (0.05, 0.25, 0.5, 0.75, 0.95)]
    return BoxMark(*(_log_place(value, 4, WIDE - 4) for value in values))


def histogram(doses: Doses, published: Sequence[ReferenceLevel]) -> Histogram:
    """Place the bars of a histogram of kerma."""
    most = max((*doses.bins, 1))
    step = _round_step(most / 4)
    top = step * math.ceil(most / step)
    high = _BOTTOM - _TOP
    width = (_RIGHT - _LEFT) / len(doses.bins)
    bars = tuple(
        Bar(
            round(_LEFT + number * width + 1, 1),
            round(_BOTTOM - high * count / top, 1),
            round(width - 2, 1),
            round(high * count / top, 1),
            bin_words(number),
            count,
        )
        for number, count in enumerate(doses.bins)
    )
    x_ticks = tuple(Tick(_log_place(mgy, _LEFT, _RIGHT), f"{mgy:g}") for mgy in _X_MGY)
    y_ticks = tuple(
        Tick(round(_BOTTOM - high * value / top, 1), f"{value:,}")
        for value in range(0, top + 1, step)
    )
    return Histogram(bars, x_ticks, y_ticks, level_ticks(published))


def numbered(published: Sequence[ReferenceLevel]) -> list[tuple[str, list[ReferenceLevel]]]:
    """Number the published values of kerma, the lowest first; equal ones share a number."""
    values = sorted({one.kerma_mgy for one in published if one.kerma_mgy is not None})
    return [
        (str(number), [one for one in published if one.kerma_mgy == value])
        for number, value in enumerate(values, start=1)
    ]


def level_ticks(published: Sequence[ReferenceLevel]) -> tuple[Tick, ...]:
    """Place the numbered values."""
    return tuple(
        Tick(_log_place(some[0].kerma_mgy or 0.0, _LEFT, _RIGHT), number)
        for number, some in numbered(published)
    )


def bin_words(number: int) -> str:
    """Say the bounds of a bin, in mGy."""
    low, high = bin_bounds()[number]
    if high is None:
        return f"{low:.3g} and more"
    return f"below {high:.3g}" if low == 0 else f"{low:.3g} to {high:.3g}"


def _log_place(mgy: float, begin: float, end: float) -> float:
    inside = min(max(mgy, _LEAST_MGY), _MOST_MGY)
    share = math.log(inside / _LEAST_MGY) / math.log(_MOST_MGY / _LEAST_MGY)
    return round(begin + share * (end - begin), 1)


def _round_step(rough: float) -> int:
    power: int = 10 ** max(0, math.floor(math.log10(max(1.0, rough))))
    return next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough * 0.999)
