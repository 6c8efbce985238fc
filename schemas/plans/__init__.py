"""View plans: which images make a study complete. Data that a site may replace by its own."""

from schemas.plans.check import check_choice, check_plan, plan_problems
from schemas.plans.choose import PlanChoice, choose_plan, plan_for
from schemas.plans.errors import PlanError
from schemas.plans.load import load_plans, read_plan
from schemas.plans.model import (
    Basis,
    Plan,
    PlannedDentition,
    Region,
    Scope,
    Source,
    Technique,
    View,
)

__all__ = [
    "Basis",
    "Plan",
    "PlanChoice",
    "PlanError",
    "PlannedDentition",
    "Region",
    "Scope",
    "Source",
    "Technique",
    "View",
    "check_choice",
    "check_plan",
    "choose_plan",
    "load_plans",
    "plan_for",
    "plan_problems",
    "read_plan",
]
