"""Which full-mouth plan an animal gets when the order names none."""

import math
from collections.abc import Mapping

from schemas.plans.errors import PlanError
from schemas.plans.load import load_plans
from schemas.plans.model import Plan, Scope
from schemas.teeth import Dentition, Species


def plan_for(
    species: Species,
    weight_kg: float | None,
    *,
    dentition: Dentition = Dentition.PERMANENT,
    plans: Mapping[str, Plan] | None = None,
) -> Plan:
    """The full-mouth plan for the species, dentition and weight.

    Without a weight there is an answer only where one plan serves every weight: a plan is never
    guessed, since it decides what counts as missing.

    Parameters
    ----------
    weight_kg : float or None
        Body weight in kg, above 0.
    plans : mapping, optional
        The site's plans by code; the packaged ones if absent.

    Raises
    ------
    PlanError
        If no plan fits, several do, or the weight is no weight.
    """
    named = f"for a {species} with {dentition} teeth"
    if weight_kg is not None and not (weight_kg > 0 and math.isfinite(weight_kg)):
        raise PlanError(
            named, "weight_kg", weight_kg, "a body weight in kg above 0", "Correct the weight."
        )
    offered = [
        plan
        for plan in (load_plans() if plans is None else plans).values()
        if plan.scope is Scope.FULL_MOUTH
        and not plan.on_request_only
        and (plan.species, plan.dentition) == (species, dentition)
        and (weight_kg is None or plan.fits_weight(weight_kg))
    ]
    if len(offered) == 1:
        return offered[0]
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
