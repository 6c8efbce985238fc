"""For which studies and which views a rule of a tariff holds. What is left out does not matter."""

from collections.abc import Sequence
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract, NotNegative, Positive
from schemas.plans import Technique
from schemas.teeth import Species

Pattern = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[a-z0-9][a-z0-9_-]*\*?$")]
"""A name, or with a ``*`` at its end every name that begins so."""


def fits(patterns: Sequence[str], name: str | None) -> bool:
    """Tell whether a name is one of those meant; no pattern means every name, and none."""
    if not patterns:
        return True
    return name is not None and any(
        name.startswith(one[:-1]) if one.endswith("*") else name == one for one in patterns
    )


class StudyWhen(Contract):
    """Conditions on a study; all that are given have to hold.

    A weight band has its lower bound in it and its upper bound not, in kg; a weight that is not
    known is in no band.
    """

    species: tuple[Species, ...] = ()
    plans: tuple[Pattern, ...] = ()
    weight_from_kg: NotNegative | None = None
    weight_below_kg: Positive | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"species": ["dog"], "plans": ["dog-full-mouth*"], "weight_from_kg": 10.0},
    )

    @model_validator(mode="after")
    def _has_a_band(self) -> Self:
        low, high = self.weight_from_kg, self.weight_below_kg
        if low is not None and high is not None and high <= low:
            raise ValueError("expected weight_below_kg above weight_from_kg")
        return self

    @property
    def asks_weight(self) -> bool:
        return self.weight_from_kg is not None or self.weight_below_kg is not None

    def holds(self, species: Species, plan: str | None, weight_kg: float | None) -> bool:
        """Tell whether a study is meant."""
        if self.species and species not in self.species:
            return False
        return fits(self.plans, plan) and self._in_band(weight_kg)

    def _in_band(self, weight_kg: float | None) -> bool:
        if weight_kg is None:
            return not self.asks_weight
        above = self.weight_from_kg is None or weight_kg >= self.weight_from_kg
        below = self.weight_below_kg is None or weight_kg < self.weight_below_kg
        return above and below


class ViewWhen(StudyWhen):
    """Conditions on one view of a study: its code and technique are the plan's.

    ``after_hours``: taken outside (true) or within (false) the site's opening hours.
    """

    views: tuple[Pattern, ...] = ()
    techniques: tuple[Technique, ...] = ()
    after_hours: bool | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"species": ["cat"], "techniques": ["extraoral_near_parallel"], "after_hours": False},
    )

    def holds_for_view(
        self, view: str | None, technique: Technique | None, *, after_hours: bool
    ) -> bool:
        """Tell whether a view is meant, given that its study is."""
        if self.techniques and technique not in self.techniques:
            return False
        if self.after_hours is not None and self.after_hours is not after_hours:
            return False
        return fits(self.views, view)
