"""What a plan must hold beyond its shape: real teeth, known views, no tooth forgotten."""

from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import combinations

from schemas.plans.errors import PlanError
from schemas.plans.model import Plan, PlannedDentition, Scope, View
from schemas.teeth import arch, tooth_name


def check_plan(plan: Plan) -> None:
    """Raise the first PlanError that the plan deserves, if any."""
    for problem in _problems(plan):
        raise problem


def plan_problems(plan: Plan) -> tuple[PlanError, ...]:
    """Everything that is wrong with one plan, so that an editor can mend it in one go."""
    return tuple(_problems(plan))


def check_choice(plans: Iterable[Plan]) -> None:
    """Raise PlanError if some animal would fit two full-mouth plans at once."""
    offered = [p for p in plans if p.scope is Scope.FULL_MOUTH and not p.on_request_only]
    for one, other in combinations(offered, 2):
        same_animal = (one.species, one.dentition) == (other.species, other.dentition)
        if same_animal and _weights_meet(one, other):
            raise PlanError(
                other.code,
                "weight_min_kg",
                other.weight_min_kg,
                f"a weight range apart from that of plan {one.code}",
                f"Narrow one range, set on_request_only, or give your plan the code {one.code} "
                "to replace it.",
            )


def _weights_meet(one: Plan, other: Plan) -> bool:
    lowest = max(one.weight_min_kg or 0.0, other.weight_min_kg or 0.0)
    return one.fits_weight(lowest) and other.fits_weight(lowest)


def _problems(plan: Plan) -> Iterator[PlanError]:
    yield from _weight_problems(plan)
    yield from _code_problems(plan)
    for place, view in _places(plan):
        yield from _teeth_problems(plan, place, view)
        yield from _alternative_problems(plan, place, view)
    yield from _substitute_problems(plan)
    yield from _coverage_problems(plan)


def _places(plan: Plan) -> Iterator[tuple[str, View]]:
    for index, view in enumerate(plan.views):
        yield f"views.{index}", view
    for index, view in enumerate(plan.substitutes):
        yield f"substitutes.{index}", view


def _weight_problems(plan: Plan) -> Iterator[PlanError]:
    low, high = plan.weight_min_kg, plan.weight_max_kg
    if low is not None and high is not None and low >= high:
        yield PlanError(
            plan.code,
            "weight_max_kg",
            high,
            f"more than weight_min_kg ({low} kg)",
            "Exchange the two or leave one out.",
        )


def _code_problems(plan: Plan) -> Iterator[PlanError]:
    seen: set[str] = set()
    for place, view in _places(plan):
        if view.code in seen:
            yield PlanError(
                plan.code,
                f"{place}.code",
                view.code,
                "a code that no earlier view of the plan has",
                "Give one of the two views another code.",
            )
        seen.add(view.code)


def _teeth_problems(plan: Plan, place: str, view: View) -> Iterator[PlanError]:
    existing = plan.possible_teeth
    kind = "permanent" if plan.dentition is PlannedDentition.MIXED else plan.dentition.value
    foreign = sorted(set(view.teeth) - existing)
    for tooth in foreign:
        yield PlanError(
            plan.code,
            f"{place}.teeth",
            tooth,
            f"a {kind} tooth of the {plan.species}",
            f"Take {tooth} out of view {view.code}, or correct the plan's species or dentition.",
        )
    for tooth, times in Counter(view.teeth).items():
        if times > 1:
            yield PlanError(
                plan.code,
                f"{place}.teeth",
                tooth,
                "each tooth once",
                f"Name {tooth} once in view {view.code}.",
            )
    jaw = "maxilla" if view.region.value.startswith("maxillary") else "mandible"
    for tooth in sorted(set(view.teeth) & existing):
        if arch(tooth) != jaw:
            yield PlanError(
                plan.code,
                f"{place}.region",
                view.region.value,
                f"a region of the jaw that carries {tooth} ({tooth_name(tooth)})",
                f"Correct the region or the teeth of view {view.code}.",
            )


def _alternative_problems(plan: Plan, place: str, view: View) -> Iterator[PlanError]:
    for code in view.alternatives:
        other = plan.view(code)
        if other is None or other.code == view.code:
            yield PlanError(
                plan.code,
                f"{place}.alternatives",
                code,
                "the code of another view or substitute of this plan",
                f"Add view {code} to substitutes, or take it out of view {view.code}.",
            )
        elif lacking := sorted(set(view.teeth) - set(other.teeth)):
            yield PlanError(
                plan.code,
                f"{place}.alternatives",
                code,
                f"a view that shows every tooth of {view.code}; {code} lacks {lacking}",
                f"Take {code} out of view {view.code}, or correct the teeth of one of them.",
            )


def _substitute_problems(plan: Plan) -> Iterator[PlanError]:
    accepted = {code for view in plan.views for code in view.alternatives}
    for index, view in enumerate(plan.substitutes):
        if view.code not in accepted:
            yield PlanError(
                plan.code,
                f"substitutes.{index}.code",
                view.code,
                "a substitute that some view names among its alternatives",
                f"Name {view.code} in the alternatives of a view, or take it out.",
            )


def _coverage_problems(plan: Plan) -> Iterator[PlanError]:
    if plan.scope is Scope.FULL_MOUTH:
        for tooth in sorted(plan.possible_teeth - plan.teeth):
            yield PlanError(
                plan.code,
                "views",
                tooth,
                f"a view that shows {tooth} ({tooth_name(tooth)})",
                f"Add {tooth} to a view, or change the scope from full_mouth to regional.",
            )
    if plan.scope is Scope.SINGLE_TOOTH and not _shared_teeth(plan):
        yield PlanError(
            plan.code,
            "views",
            [view.code for view in plan.views],
            "at least one tooth that every view shows",
            "Correct the teeth, or change the scope from single_tooth to regional.",
        )


def _shared_teeth(plan: Plan) -> frozenset[int]:
    return frozenset.intersection(*(frozenset(view.teeth) for view in plan.views))
