"""The doses of a period as drawings: against levels, over time, by view and size.

Pure: figures in, SVG as text out. Published levels are human dental values and labelled so.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from typing import Final

import numpy as np

from schemas.limits import Levels, ReferenceLevel
from services.assessment.control_limits import LEAST_VALUES, ControlLimits, individuals_limits
from services.assessment.dose_columns import Figures
from services.assessment.dose_periods import Spread
from services.runtime.svg import (
    BLACK,
    BLUE,
    DASHED,
    DOTTED,
    GREY,
    ORANGE,
    PURPLE,
    SERIES,
    SKY,
    SOLID,
    Drawing,
    Scale,
    x_axis,
    y_axis,
)

CAUTION: Final = "Estimates with a basis and an uncertainty, not measurements; never a clearance."
HUMAN: Final = "Numbered: published human dental values, no limits for animals."
_WIDTH: Final = 900.0
_LEFT, _RIGHT = 86.0, 870.0
_BINS: Final = 48


def distribution(
    kerma_mgy: Figures, levels: Levels | None, invented: bool, published: Sequence[ReferenceLevel]
) -> str:
    """Draw how the kerma of single exposures lies against the group's levels and published ones."""
    known = np.sort(kerma_mgy[~np.isnan(kerma_mgy)])
    shown = sorted(
        (level for level in published if level.kerma_mgy is not None),
        key=lambda level: (level.kerma_mgy or 0.0, level.name),
    )
    reach = [float(np.quantile(known, 0.995))] if len(known) else [1.0]
    reach += [levels.alert] if levels is not None else []
    reach += [level.kerma_mgy or 0.0 for level in shown]
    x = Scale(0.0, 1.06 * max(reach), _LEFT, _RIGHT)
    places = _places([x.at(level.kerma_mgy or 0.0) for level in shown])
    top = 86.0 + 14.0 * max([row + 1 for _, row in places], default=0)
    bottom = top + 270.0
    rows = ceil(len(shown) / 2)
    height = bottom + 74 + 19 * rows + 52
    counts, edges = np.histogram(known[known <= x.high], bins=_BINS, range=(0.0, x.high))
    beyond = int((known > x.high).sum())
    y = Scale(0.0, 1.08 * max(1, int(counts.max())), bottom, top)
    middle = f"median {np.median(known):.3g} mGy" if len(known) else "none known"
    words = f"{len(known):,} exposures, {middle}; {_levels_words(levels, invented)}. {HUMAN}"
    drawing = Drawing(_WIDTH, height, "Air kerma of single exposures against levels", words)
    _heading(drawing, "Air kerma of single exposures against levels", f"{len(known):,} exposures, "
             f"{middle}" + (f"; {beyond:,} beyond the right end" if beyond else ""))  # fmt: skip
    y_axis(drawing, y, _LEFT, _RIGHT, "exposures")
    x_axis(drawing, x, top, bottom, "incident air kerma at the skin, without backscatter (mGy)")
    for count, begin, end in zip(counts, edges[:-1], edges[1:], strict=True):
        place = y.at(float(count))
        wide = x.at(float(end)) - x.at(float(begin)) - 1
        drawing.box(x.at(float(begin)) + 0.5, place, wide, bottom - place, SKY, BLUE)
    if levels is not None:
        _level(drawing, x.at(levels.notify), top, bottom, f"notify {levels.notify:g}", DASHED)
        _level(drawing, x.at(levels.alert), top, bottom, f"alert {levels.alert:g}", SOLID)
    for i, (place, row) in enumerate(places):
        y_number = top - 8 - 14 * row
        drawing.line(place, top - 4, place, bottom, PURPLE, DOTTED)
        drawing.text(place, y_number, f"{i + 1}", anchor="middle", colour=PURPLE, size=12)
    for i, level in enumerate(shown):
        place = bottom + 72 + 19 * (i % rows)
        source = level.source.split(",")[0] + (" *" if level.basis == "std" else "")
        told = f"{i + 1}  {level.kerma_mgy:g} mGy  {level.examination} ({source})"
        drawing.text(_LEFT if i < rows else 490.0, place, told, size=12, colour=GREY)
    foot = f"{HUMAN} A star: cited from memory. " if shown else ""
    _foot(drawing, height, foot + (_INVENTED if invented and levels is not None else ""))
    return drawing.render()


_INVENTED: Final = "The group's levels are our invented defaults."


def _levels_words(levels: Levels | None, invented: bool) -> str:
    if levels is None:
        return "the group has set no level"
    whose = "invented default levels" if invented else "the group's levels"
    return f"{whose}: notify {levels.notify:g}, alert {levels.alert:g} mGy"


def _level(drawing: Drawing, x: float, top: float, bottom: float, words: str, dash: str) -> None:
    drawing.line(x, top, x, bottom, ORANGE, dash, 2)
    near_end = x > _RIGHT - 90.0
    place, anchor = (x - 6, "end") if near_end else (x + 6, "start")
    drawing.text(place, top + 14, words, anchor=anchor, colour=ORANGE, bold=True)


def _places(numbers_at: Sequence[float]) -> list[tuple[float, int]]:
    """Give each number above the plot a row of its own where it would touch the one before."""
    ends: list[float] = []
    found = []
    for place in numbers_at:
        row = next((r for r, end in enumerate(ends) if place - end > 17), len(ends))
        ends[row : row + 1] = [place]
        found.append((place, row))
    return found


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a trend: its name below the axis, and of how many exposures it is."""

    name: str
    value: float
    exposures: int


def trend(points: Sequence[Point], of: str) -> str:
    """Draw medians over time with the limits of the individuals and moving range chart."""
    values = [point.value for point in points]
    limits = individuals_limits(values)
    highest = max([*values, limits.upper if limits is not None else 0.0, 1e-6])
    x = Scale(-0.5, max(0.5, len(points) - 0.5), _LEFT, _RIGHT - 70)
    y = Scale(0.0, 1.12 * highest, 340.0, 90.0)
    title = f"Median air kerma of an exposure, {of}"
    words = f"{len(points)} values. {_limits_words(limits)} {CAUTION}"
    drawing = Drawing(_WIDTH, 610, title, words)
    _heading(drawing, title, _limits_words(limits))
    y_axis(drawing, y, _LEFT, x.end, "median (mGy)")
    steps = [abs(b - a) for a, b in pairwise(values)]
    top_range = max([*steps, limits.range_upper if limits is not None else 0.0, 0.1 * highest])
    ranges = Scale(0.0, 1.12 * top_range, 520.0, 395.0)
    y_axis(drawing, ranges, _LEFT, x.end, "step (mGy)")
    if limits is not None:
        lines = [("mean", limits.centre, SOLID), ("upper", limits.upper, DASHED)]
        lines += [("lower", limits.lower, DASHED)] if limits.lower > 0 else []
        for name, value, dash in lines:
            drawing.line(_LEFT, y.at(value), x.end, y.at(value), ORANGE, dash, 1.5)
            drawing.text(x.end + 6, y.at(value) + 4, f"{name} {value:.3g}", colour=ORANGE)
        place = ranges.at(limits.range_upper)
        drawing.line(_LEFT, place, x.end, place, ORANGE, DASHED, 1.5)
        drawing.text(x.end + 6, place + 4, f"upper {limits.range_upper:.3g}", colour=ORANGE)
    drawing.path([(x.at(i), y.at(value)) for i, value in enumerate(values)], BLUE)
    drawing.path([(x.at(i + 1), ranges.at(step)) for i, step in enumerate(steps)], BLUE)
    _marks(drawing, x, y, list(enumerate(values)), limits.beyond if limits is not None else ())
    outside = limits.range_beyond if limits is not None else ()
    _marks(drawing, x, ranges, [(i + 1, step) for i, step in enumerate(steps)], outside)
    widest = 8.0 * max([len(point.name) for point in points], default=1) + 14.0
    every = max(1, ceil(widest * len(points) / (x.end - _LEFT)))
    for i, point in enumerate(points):
        if i % every == 0:
            drawing.text(x.at(i), 540, point.name, anchor="middle", colour=GREY, size=12)
    drawing.line(_LEFT, 520, x.end, 520, BLACK)
    told = "Triangle: outside the limits, a question for a person and no proof."
    _foot(drawing, 610, told if limits is not None else "")
    return drawing.render()


def _limits_words(limits: ControlLimits | None) -> str:
    if limits is None:
        return f"No control limits: fewer than {LEAST_VALUES} values."
    outside = len(set(limits.beyond) | set(limits.range_beyond))
    verb = "is" if outside == 1 else "are"
    return (
        f"Limits: mean ± 3 moving ranges / 1.128, {limits.lower:.3g} to {limits.upper:.3g} mGy; "
        f"{outside} {verb} outside."
    )


def _marks(
    drawing: Drawing,
    x: Scale,
    y: Scale,
    points: Sequence[tuple[int, float]],
    outside: Sequence[int],
) -> None:
    for place, value in points:
        odd = place in outside
        drawing.mark(
            x.at(place), y.at(value), 2 if odd else 0, ORANGE if odd else BLUE, 5.5 if odd else 3.5
        )


@dataclass(frozen=True, slots=True)
class ViewSpread:
    view: str
    size: str
    spread: Spread


MOST_VIEWS: Final = 40


def by_view(spreads: Sequence[ViewSpread]) -> str:
    """Draw the quartiles and median of each view, one mark for each size of animal."""
    totals: dict[str, int] = {}
    for one in spreads:
        totals[one.view] = totals.get(one.view, 0) + one.spread.count
    views = sorted(sorted(totals, key=lambda view: (-totals[view], view))[:MOST_VIEWS])
    sizes = sorted({one.size for one in spreads})
    at = {(one.view, one.size): one.spread for one in spreads if one.view in views}
    row = 16.0 * max(1, len(sizes)) + 10.0
    top = 96.0 + 20.0 * ceil(len(sizes) / 4)
    bottom = top + row * max(1, len(views))
    highest = max([spread.upper_quartile for spread in at.values()], default=1.0)
    left = 40.0 + 7.2 * max([len(view) for view in views], default=8)
    x = Scale(0.0, 1.08 * max(highest, 1e-6), left, _RIGHT)
    left_out = len(totals) - len(views)
    title = "Air kerma of an exposure by view and size of animal"
    told = "Mark: median; bar: from the lower to the upper quartile."
    told += f" {left_out} rarer views are left out." if left_out else ""
    words = f"{told} " + "; ".join(
        f"{view}, {size}: median {spread.median:.3g} mGy of {spread.count}"
        for (view, size), spread in sorted(at.items())
    )
    drawing = Drawing(_WIDTH, bottom + 92, title, words)
    _heading(drawing, title, told)
    for i, size in enumerate(sizes):
        place, line = 40.0 + 200.0 * (i % 4), 82.0 + 20.0 * (i // 4)
        drawing.mark(place, line - 4, i, SERIES[i % len(SERIES)], 5)
        drawing.text(place + 12, line, size)
    x_axis(drawing, x, top, bottom, "incident air kerma at the skin, without backscatter (mGy)")
    for v, view in enumerate(views):
        begin = top + row * v
        drawing.text(left - 10, begin + row / 2 + 4, view, anchor="end")
        for i, size in enumerate(sizes):
            if (spread := at.get((view, size))) is None:
                continue
            y, colour = begin + 5 + 16 * i + 8, SERIES[i % len(SERIES)]
            low, high = x.at(spread.lower_quartile), x.at(spread.upper_quartile)
            drawing.line(low, y, high, y, colour, width=4)
            drawing.mark(x.at(spread.median), y, i, colour, 5)
            drawing.text(max(high, x.at(spread.median)) + 9, y + 4, f"n={spread.count:,}",
                         colour=GREY, size=11)  # fmt: skip
    _foot(drawing, bottom + 92, "")
    return drawing.render()


def _heading(drawing: Drawing, title: str, told: str) -> None:
    drawing.text(40, 34, title, size=18, bold=True)
    drawing.text(40, 56, told, colour=GREY)


def _foot(drawing: Drawing, height: float, words: str) -> None:
    if words:
        drawing.text(40, height - 32, words.strip(), size=11.5, colour=GREY)
    drawing.text(40, height - 14, CAUTION, size=11.5, colour=GREY)
