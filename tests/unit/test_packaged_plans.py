"""The packaged view plans are sound."""

import json
from collections import Counter
from pathlib import Path

import pytest

import schemas.plans
from schemas.base import Contract
from schemas.plans import (
    Basis,
    Plan,
    PlannedDentition,
    Scope,
    Source,
    Technique,
    View,
    plan_problems,
)
from schemas.teeth import Dentition, Species, arch, side, teeth_of
from tests.packaged_plans import PLANS, from_data

FULL_MOUTH = [plan for plan in PLANS.values() if plan.scope is Scope.FULL_MOUTH]


DERIVED = [
    plan
    for code, plan in PLANS.items()
    if not (Path(schemas.plans.__file__).parent / f"{code.replace('-', '_')}.yaml").is_file()
]


@pytest.mark.parametrize("model", [Source, View, Plan])
def test_every_example_is_valid(model: type[Contract]) -> None:
    assert model.EXAMPLES
    for example in model.EXAMPLES:
        model.model_validate_json(json.dumps(example))


def test_the_example_plan_makes_sense() -> None:
    for example in Plan.EXAMPLES:
        assert plan_problems(from_data(example)) == ()


@pytest.mark.parametrize(
    ("code", "views"),
    [("dog-full-mouth", 14), ("dog-full-mouth-large", 16), ("cat-full-mouth", 10)],
)
def test_the_packaged_plans_have_the_number_of_views_that_they_state(code: str, views: int) -> None:
    assert len(PLANS[code].views) == views
    assert f"{views} views" in PLANS[code].name


@pytest.mark.parametrize("plan", FULL_MOUTH, ids=lambda plan: plan.code)
def test_a_full_mouth_plan_shows_every_tooth_of_its_dentition(plan: Plan) -> None:
    deciduous = plan.dentition is PlannedDentition.DECIDUOUS
    dentition = Dentition.DECIDUOUS if deciduous else Dentition.PERMANENT
    assert plan.teeth == teeth_of(plan.species, dentition)


@pytest.mark.parametrize("plan", FULL_MOUTH, ids=lambda plan: plan.code)
def test_a_full_mouth_plan_treats_both_sides_alike(plan: Plan) -> None:
    # Given the mirror image of each view's teeth: quadrants 1 and 2, 3 and 4 exchanged, and so on
    mirror = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 7: 8, 8: 7}
    shown = Counter((frozenset(v.teeth), v.technique, v.receptor_size) for v in plan.views)

    mirrored = Counter(
        (frozenset(mirror[t // 100] * 100 + t % 100 for t in v.teeth), v.technique, v.receptor_size)
        for v in plan.views
    )

    assert mirrored == shown


@pytest.mark.parametrize("plan", PLANS.values(), ids=lambda plan: plan.code)
def test_a_view_code_and_name_say_the_side_that_its_teeth_are_on(plan: Plan) -> None:
    for view in (*plan.views, *plan.substitutes):
        sides = {side(tooth) for tooth in view.teeth}
        for one_side in ("right", "left"):
            alone = sides == {one_side}
            assert (one_side in view.name.split()) == alone, view.code
            assert not view.code.endswith(one_side) or alone, view.code
        assert len({arch(tooth) for tooth in view.teeth}) == 1


@pytest.mark.parametrize("plan", FULL_MOUTH, ids=lambda plan: plan.code)
def test_parallel_is_for_lower_cheek_teeth_and_never_alone_near_the_symphysis(plan: Plan) -> None:
    # The symphysis cuts off the apices of the dog's first two premolars in a parallel view
    # (Today's Veterinary Practice, Sep/Oct 2015, page 63, read).
    parallel = {t for v in plan.views if v.technique is Technique.PARALLEL for t in v.teeth}
    bisecting = {t for v in plan.views if v.technique is Technique.BISECTING for t in v.teeth}

    deciduous = plan.dentition is PlannedDentition.DECIDUOUS
    assert {tooth // 100 for tooth in parallel} == ({7, 8} if deciduous else {3, 4})
    if plan.species is Species.DOG and not deciduous:
        assert {305, 306, 405, 406} <= bisecting


@pytest.mark.parametrize("plan", PLANS.values(), ids=lambda plan: plan.code)
def test_every_plan_admits_what_is_our_own_and_carries_cautions(plan: Plan) -> None:
    assert Basis.INVENTED in {source.basis for source in plan.source}
    words = " ".join(plan.cautions)
    for caution in (
        "surgical plane",
        "Nobody holds the receptor",
        "at least 2 m",
        "Local radiation",
    ):
        assert caution in words


def test_a_packaged_file_is_named_for_its_plan() -> None:
    folder = Path(schemas.plans.__file__).parent
    codes = {path.stem.replace("_", "-") for path in folder.glob("*.yaml")}

    assert codes < set(PLANS)
    assert all(plan.on_request_only or "mixed" in plan.code for plan in DERIVED)


def test_a_view_is_found_by_its_code_among_views_and_substitutes() -> None:
    plan = PLANS["cat-full-mouth"]

    found = plan.view("max-extraoral-l")

    assert found is not None
    assert found.technique is Technique.EXTRAORAL_NEAR_PARALLEL
    assert plan.view("no-such-view") is None
