"""The conditions of a tariff's rules as boxes in one space, to be taken from each other. Pure.

Each condition cuts the space of all views at its own values only, so a few values stand for all:
two that no rule tells apart are one here. A rule is a box: a set of values in each direction.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from schemas.plans import Technique
from schemas.tariffs import ViewRule, ViewWhen
from schemas.tariffs.conditions import fits
from schemas.teeth import Species

Box = tuple[frozenset[int], ...]
"""In each direction of a space the places of its values that are meant."""


@dataclass(frozen=True, slots=True)
class Direction:
    """One thing that rules ask: its values, and what each is called."""

    name: str
    values: tuple[object, ...]
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Space:
    """Every kind of view that the rules can tell apart."""

    directions: tuple[Direction, ...]

    @property
    def whole(self) -> Box:
        return tuple(frozenset(range(len(one.values))) for one in self.directions)

    def box(self, when: ViewWhen) -> Box:
        """Give the box of a rule's conditions."""
        return tuple(
            frozenset(
                place for place, value in enumerate(one.values) if _meant(when, one.name, value)
            )
            for one in self.directions
        )

    def words(self, box: Box) -> str:
        """Say which views are in a box."""
        told = [
            f"{one.name} {' or '.join(one.words[place] for place in sorted(places))}"
            for one, places in zip(self.directions, box, strict=True)
            if len(places) < len(one.values)
        ]
        return ", ".join(told) or "every view"


def space_of(rules: Iterable[ViewRule]) -> Space:
    """Make the space that these rules cut."""
    whens = [rule.when for rule in rules]
    weights = {w.weight_from_kg for w in whens} | {w.weight_below_kg for w in whens}
    return Space(
        (
            Direction("species", tuple(Species), tuple(species.value for species in Species)),
            _names("plan", {name for when in whens for name in when.plans}),
            _weights(sorted({0.0} | {kg for kg in weights if kg is not None})),
            _names("view", {name for when in whens for name in when.views}),
            Direction(
                "technique",
                (*Technique, None),
                (*(technique.value for technique in Technique), "not known"),
            ),
            Direction("taken", (False, True), ("within opening hours", "after hours")),
        )
    )


def _names(name: str, patterns: set[str]) -> Direction:
    """Let one name stand for all that a pattern means beyond the names that are told."""
    stand_ins = {
        pattern: f"{pattern[:-1]}\N{HORIZONTAL ELLIPSIS}" if pattern.endswith("*") else pattern
        for pattern in sorted(patterns)
    }
    words = {
        stand_in: f"{pattern} (any other)" if pattern.endswith("*") else pattern
        for pattern, stand_in in stand_ins.items()
    }
    return Direction(name, (*words, None), (*words.values(), "any other, or none"))


def _weights(bounds: Sequence[float]) -> Direction:
    words = [f"{low:g} kg to below {high:g} kg" for low, high in pairwise(bounds)]
    return Direction(
        "weight", (*bounds, None), (*words, f"{bounds[-1]:g} kg and more", "not known")
    )


def _meant(when: ViewWhen, name: str, value: object) -> bool:
    """Ask one condition alone."""
    if name == "species":
        return not when.species or value in when.species
    if name == "plan":
        return fits(when.plans, value if isinstance(value, str) else None)
    if name == "weight":
        alone = ViewWhen(weight_from_kg=when.weight_from_kg, weight_below_kg=when.weight_below_kg)
        return alone.holds(Species.DOG, None, value if isinstance(value, float) else None)
    if name == "view":
        return fits(when.views, value if isinstance(value, str) else None)
    if name == "technique":
        return not when.techniques or value in when.techniques
    return when.after_hours is None or value is when.after_hours


def common(one: Box, other: Box) -> Box | None:
    """Give what two boxes share, or None."""
    shared = tuple(a & b for a, b in zip(one, other, strict=True))
    return shared if all(shared) else None


def within(one: Box, other: Box) -> bool:
    return all(a <= b for a, b in zip(one, other, strict=True))


def without(boxes: Sequence[Box], taken: Box) -> list[Box]:
    """Take a box away from others; what is left is in boxes that share nothing new."""
    left: list[Box] = []
    for box in boxes:
        if common(box, taken) is None:
            left.append(box)
            continue
        for place, (own, cut) in enumerate(zip(box, taken, strict=True)):
            if rest := own - cut:
                before = tuple(a & b for a, b in zip(box[:place], taken[:place], strict=True))
                left.append((*before, rest, *box[place + 1 :]))
    return left
