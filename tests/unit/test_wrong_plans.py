"""A wrong view plan is refused, and what is wrong with it is named."""

from copy import deepcopy
from typing import Any

import pytest

from schemas.plans import PlanError, check_plan, plan_problems
from schemas.teeth import Dentition, Species, teeth_of
from tests.packaged_plans import PLANS, as_data, from_data


def only_problem(data: dict[str, Any]) -> PlanError:
    (problem,) = plan_problems(from_data(data))
    return problem


def test_a_tooth_that_the_species_lacks_is_named(cat: dict[str, Any]) -> None:
    place = next(i for i, v in enumerate(cat["views"]) if v["code"] == "mand-canine-l")
    cat["views"][place]["teeth"].append(305)

    problem = only_problem(cat)

    assert (problem.field, problem.value) == (f"views.{place}.teeth", "305")
    assert problem.expected == "a permanent tooth of the cat"
    assert "Take 305 out of view mand-canine-l" in str(problem)


def test_a_deciduous_tooth_in_a_permanent_plan_is_named(cat: dict[str, Any]) -> None:
    cat["views"][0]["teeth"].append(501)

    assert only_problem(cat).value == "501"


@pytest.mark.parametrize("lost", sorted(teeth_of(Species.CAT, Dentition.PERMANENT)))
def test_a_tooth_that_no_view_covers_is_named(lost: int) -> None:
    data = as_data(PLANS["cat-full-mouth"])
    for view in (*data["views"], *data["substitutes"]):
        view["teeth"] = [tooth for tooth in view["teeth"] if tooth != lost]
    data["views"] = [view for view in data["views"] if view["teeth"]]

    problem = only_problem(data)

    assert (problem.field, problem.value) == ("views", str(lost))
    assert f"Add {lost} to a view" in str(problem)


def test_a_regional_plan_may_leave_teeth_out(cat: dict[str, Any]) -> None:
    cat["scope"] = "regional"
    del cat["views"][0]

    assert plan_problems(from_data(cat)) == ()


def test_a_duplicate_view_code_is_named(cat: dict[str, Any]) -> None:
    cat["views"].append(deepcopy(cat["views"][0]))

    problem = only_problem(cat)

    assert (problem.field, problem.value) == ("views.10.code", "'max-incisors'")


def test_a_substitute_may_not_take_the_code_of_a_view(cat: dict[str, Any]) -> None:
    cat["substitutes"][0]["code"] = "max-cheek-r"

    assert "substitutes.0.code" in {problem.field for problem in plan_problems(from_data(cat))}


@pytest.mark.parametrize("wrong", ["no-such-view", "max-incisors"])
def test_an_alternative_must_be_another_known_view(cat: dict[str, Any], wrong: str) -> None:
    cat["views"][0]["alternatives"] = [wrong]

    problem = only_problem(cat)

    assert (problem.field, problem.value) == ("views.0.alternatives", repr(wrong))


def test_an_alternative_must_show_all_that_the_view_shows(cat: dict[str, Any]) -> None:
    cat["views"][0]["alternatives"] = ["max-canine-r"]

    problem = only_problem(cat)

    assert "lacks [101, 102, 103, 201, 202, 203]" in problem.expected


def test_a_substitute_that_no_view_accepts_is_named(cat: dict[str, Any]) -> None:
    for view in cat["views"]:
        view["alternatives"] = []

    problems = plan_problems(from_data(cat))

    assert [p.field for p in problems] == ["substitutes.0.code", "substitutes.1.code"]


def test_a_tooth_named_twice_in_a_view_is_named(cat: dict[str, Any]) -> None:
    cat["views"][0]["teeth"].append(101)

    assert only_problem(cat).expected == "each tooth once"


def test_a_region_of_the_other_jaw_is_named(cat: dict[str, Any]) -> None:
    cat["views"][1]["region"] = "mandibular_canine"

    problem = only_problem(cat)

    assert problem.field == "views.1.region"
    assert "104 (right maxillary canine)" in problem.expected


def test_a_weight_range_turned_round_is_named(cat: dict[str, Any]) -> None:
    cat |= {"weight_min_kg": 5.0, "weight_max_kg": 5.0}

    assert only_problem(cat).field == "weight_max_kg"


def test_a_single_tooth_plan_needs_a_tooth_that_every_view_shows() -> None:
    data = as_data(PLANS["dog-follow-up-108"])
    data["views"][1]["teeth"] = [109]

    assert "at least one tooth that every view shows" in only_problem(data).expected


def test_all_problems_are_told_at_once_and_the_first_is_raised(cat: dict[str, Any]) -> None:
    cat["views"][0]["teeth"].append(305)
    cat["views"][1]["alternatives"] = ["no-such-view"]
    cat["weight_max_kg"] = 3.0
    cat["weight_min_kg"] = 4.0
    plan = from_data(cat)

    assert {p.field for p in plan_problems(plan)} >= {"weight_max_kg", "views.1.alternatives"}
    with pytest.raises(PlanError, match="weight_max_kg"):
        check_plan(plan)
