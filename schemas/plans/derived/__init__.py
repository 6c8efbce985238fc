"""Plans made from others: a part of a full-mouth plan, or one tooth seen again."""

from schemas.plans.derived.make import derive_plans
from schemas.plans.derived.model import DerivedPlans, Excerpt, FollowUp, FollowUpView, ToothGroup

__all__ = [
    "DerivedPlans",
    "Excerpt",
    "FollowUp",
    "FollowUpView",
    "ToothGroup",
    "derive_plans",
]
