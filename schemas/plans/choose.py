"""Which full-mouth plan an animal gets when the order names none, and why."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from schemas.plans.dentition_age import age_days, dentition_at
from schemas.plans.errors import PlanError
from schemas.plans.load import load_plans
from schemas.plans.model import Plan, PlannedDentition, Scope
from schemas.teeth import Dentition, Species


@dataclass(frozen=True, slots=True)
class PlanChoice:
    """A plan and, in plain words, what led to it."""

    plan: Plan
    reasons: tuple[str, ...]


def plan_for(
    species: Species,
    weight_kg: float | None,
    *,
    dentition: Dentition | PlannedDentition | None = None,
    born_on: date | None = None,
    on: date | None = None,
    plans: Mapping[str, Plan] | None = None,
) -> Plan:
    """The plan of :func:`choose_plan`, without its reasons."""
    choice = choose_plan(
        species, weight_kg, dentition=dentition, born_on=born_on, on=on, plans=plans
    )
    return choice.plan


def choose_plan(
    species: Species,
    weight_kg: float | None,
    *,
    dentition: Dentition | PlannedDentition | None = None,
    born_on: date | None = None,
    on: date | None = None,
    plans: Mapping[str, Plan] | None = None,
) -> PlanChoice:
    """The full-mouth plan for the species, teeth and weight of an animal.

    Without a weight there is an answer only where one plan serves every weight: a plan is never
    guessed, since it decides what counts as missing.

    Parameters
    ----------
    weight_kg : float or None
        Body weight in kg, above 0.
    dentition : optional
        Which teeth the animal has, where somebody looked; outranks its age.
    born_on, on : date, optional
        Birth date and day of the study, for the age. Without them the animal is taken as grown,
        and the reasons say so.
    plans : mapping, optional
        The site's plans by code; the packaged ones if absent.

    Raises
    ------
    PlanError
        If no plan fits, several do, or the weight or the birth date cannot be.
    """
    teeth, why_teeth = _dentition(species, dentition, born_on, on)
    named = f"for a {species} with {teeth} teeth"
    if weight_kg is not None and not (weight_kg > 0 and math.isfinite(weight_kg)):
        raise PlanError(
            named, "weight_kg", weight_kg, "a body weight in kg above 0", "Correct the weight."
        )
    offered = [
        plan
        for plan in (load_plans() if plans is None else plans).values()
        if plan.scope is Scope.FULL_MOUTH
        and not plan.on_request_only
        and (plan.species, plan.dentition) == (species, teeth)
        and (weight_kg is None or plan.fits_weight(weight_kg))
    ]
    if len(offered) == 1:
        return PlanChoice(
            offered[0], (f"a {species}", why_teeth, _why_weight(offered[0], weight_kg))
        )
    if not offered:
        raise PlanError(
            named,
            "weight_kg",
            weight_kg,
            "an animal that one of the full-mouth plans is made for",
            "Name a plan in the order, or add one for this species, dentition and weight.",
        )
    raise PlanError(
        named,
        "weight_kg",
        weight_kg,
        "a weight that leaves one plan of " + ", ".join(plan.code for plan in offered),
        "Record the weight, or name the plan in the order.",
    )


def _dentition(
    species: Species,
    told: Dentition | PlannedDentition | None,
    born_on: date | None,
    on: date | None,
) -> tuple[PlannedDentition, str]:
    if told is not None:
        return PlannedDentition(told.value), f"{told} teeth, as told"
    if born_on is None or on is None:
        return PlannedDentition.PERMANENT, "age not told: taken as grown, with permanent teeth"
    age = age_days(born_on, on)
    if age < 0:
        raise PlanError(
            f"for a {species}",
            "born_on",
            born_on.isoformat(),
            f"a day not after the study's ({on.isoformat()})",
            "Correct the birth date in the record, or name the plan in the order.",
        )
    teeth = dentition_at(species, age)
    return teeth, f"{age} days old on the day of the study: {teeth} teeth by the ages of eruption"


def _why_weight(plan: Plan, weight_kg: float | None) -> str:
    if plan.weight_min_kg is None and plan.weight_max_kg is None:
        return "this plan serves every weight"
    low = f"from {plan.weight_min_kg:g} kg" if plan.weight_min_kg is not None else ""
    high = f"below {plan.weight_max_kg:g} kg" if plan.weight_max_kg is not None else ""
    span = " and ".join(bound for bound in (low, high) if bound)
    told = "no weight told" if weight_kg is None else f"{weight_kg:.1f} kg"
    return f"{told}; this plan is for {span}"
