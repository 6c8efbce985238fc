"""How a plan reads tooth numbers: in a mixed dentition a position stands for both its teeth."""

from collections.abc import Iterable

from schemas.plans import Plan, PlannedDentition
from schemas.teeth import Dentition, dentition_of, teeth_of

_APART = 400
"""A deciduous tooth's number is its permanent successor's and this: quadrant 5 is 1 again."""


def read_teeth(plan: Plan | None, teeth: Iterable[int]) -> frozenset[int]:
    """Read the teeth that an image names as the plan names them."""
    if plan is None or plan.dentition is not PlannedDentition.MIXED:
        return frozenset(teeth)
    return frozenset(_permanent(tooth) for tooth in teeth)


def read_absent(plan: Plan | None, absent: Iterable[int]) -> frozenset[int]:
    """Read the teeth charted absent: of a mixed dentition a position, once all that may stand
    there is."""
    charted = frozenset(absent)
    if plan is None or plan.dentition is not PlannedDentition.MIXED:
        return charted
    deciduous = teeth_of(plan.species, Dentition.DECIDUOUS)
    return frozenset(
        tooth
        for tooth in plan.possible_teeth & charted
        if tooth + _APART not in deciduous or tooth + _APART in charted
    )


def uncertain_positions(plan: Plan | None) -> frozenset[int]:
    """Positions of a mixed dentition that may be empty yet: those without a deciduous tooth."""
    if plan is None or plan.dentition is not PlannedDentition.MIXED:
        return frozenset()
    deciduous = teeth_of(plan.species, Dentition.DECIDUOUS)
    return frozenset(tooth for tooth in plan.possible_teeth if tooth + _APART not in deciduous)


def _permanent(tooth: int) -> int:
    return tooth - _APART if dentition_of(tooth) is Dentition.DECIDUOUS else tooth
