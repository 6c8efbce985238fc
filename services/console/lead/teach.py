"""What to teach next: a ranked list by one plain rule, told on the page in the same words.

A line (a view, a person, a device, a site) is listed where the lower end of its 95 % interval
(Wilson) lies above the share of all together, on at least as many images as an audit wants. It is
ranked by how many exposures it had above that share: the ones that would not have been made, had
it been like all together. The rule and ``LEAST_PEOPLE`` are invented; the least number of
images is of ``schemas/quality/reject_targets.yaml``.

Pure. A rate counts what happened; it is no judgement of a person.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import floor
from typing import Final

from schemas.quality.rates import CONFIDENCE, Rate
from services.console.lead.figure_lines import FigureLine
from services.console.views_lead import By

LEAST_PEOPLE: Final = 3
"""With fewer people who have enough images nobody is compared: it would be one against another."""


class Measure(StrEnum):
    REJECTS = "rejected"
    REPEATS = "repeated"
    ENDED_EARLY = "ended early"
    DEVIATIONS = "off the technique chart"

    @property
    def saves(self) -> bool:
        """Tell whether each of them is an exposure more than was needed."""
        return self is not Measure.DEVIATIONS

    @property
    def of(self) -> str:
        return "images" if self in {Measure.REJECTS, Measure.REPEATS} else "exposures"


@dataclass(frozen=True, slots=True)
class Finding:
    """One line above all together. ``more``: how many above their share, rounded down."""

    by: By
    name: str
    measure: Measure
    rate: Rate
    together: float
    more: int
    images: int


@dataclass(frozen=True, slots=True)
class Taught:
    """``saving`` and ``settings`` are ranked, the greatest first. ``compared``: how many
    comparisons were made; ``too_small``: lines left out for too few images, by kind."""

    saving: tuple[Finding, ...]
    settings: tuple[Finding, ...]
    compared: int
    too_small: Mapping[By, int]
    people_too_few: bool

    @property
    def by_chance(self) -> float:
        """How many would be listed at most if nothing differed but by chance."""
        return self.compared * (1 - CONFIDENCE) / 2


def what_to_teach(
    together: FigureLine, lines: Mapping[By, Sequence[FigureLine]], least: int
) -> Taught:
    """Rank what stands out. ``least``: the images, or exposures, that a comparison wants."""
    found: list[Finding] = []
    too_small: dict[By, int] = {}
    compared = 0
    people_too_few = False
    for by, all_ in lines.items():
        named = [line for line in all_ if line.name]
        large = [line for line in named if line.images >= least]
        too_small[by] = len(named) - len(large)
        if by is By.OPERATOR and len(large) < LEAST_PEOPLE:
            people_too_few = True
            continue
        if len(named) < 2:
            continue
        for line in large:
            for measure in Measure:
                rate, share = _rate(line, measure), _rate(together, measure).share
                if rate.images < least:
                    continue
                compared += 1
                more = floor(rate.count - share * rate.images)
                if rate.low > share and more >= 1:
                    found.append(Finding(by, line.name, measure, rate, share, more, line.images))
    found.sort(key=lambda one: (-one.more, one.by, one.name, one.measure))
    return Taught(
        tuple(one for one in found if one.measure.saves),
        tuple(one for one in found if not one.measure.saves),
        compared,
        {by: number for by, number in too_small.items() if number},
        people_too_few,
    )


def _rate(line: FigureLine, measure: Measure) -> Rate:
    return {
        Measure.REJECTS: line.rejects,
        Measure.REPEATS: line.repeats,
        Measure.ENDED_EARLY: line.early_of_exposures,
        Measure.DEVIATIONS: line.deviations_of_exposures,
    }[measure]
