"""Plans made from others, plans for young animals, and rule files that say things twice."""

import json
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.base import Contract
from schemas.errors import InvalidInput
from schemas.plans import (
    Plan,
    PlanError,
    PlannedDentition,
    Scope,
    choose_plan,
    load_plans,
    plan_problems,
)
from schemas.plans.dentition_age import CHANGED_BY_DAYS, CHANGING_FROM_DAYS, dentition_at
from schemas.plans.derived import DerivedPlans, Excerpt, FollowUp, FollowUpView, ToothGroup
from schemas.teeth import Dentition, Species, quadrant, teeth_of

PLANS = load_plans()
TODAY = date(2026, 3, 2)
EVERY_TOOTH = [
    (species, tooth)
    for species in Species
    for dentition in Dentition
    for tooth in sorted(teeth_of(species, dentition))
]


@pytest.mark.parametrize("model", [DerivedPlans, Excerpt, FollowUp, FollowUpView, ToothGroup])
def test_every_example_is_valid(model: type[Contract]) -> None:
    assert model.EXAMPLES
    for example in model.EXAMPLES:
        model.model_validate_json(json.dumps(example))


@pytest.mark.parametrize(("species", "tooth"), EVERY_TOOTH)
def test_every_tooth_of_a_species_has_a_follow_up_plan(species: Species, tooth: int) -> None:
    plan = PLANS[f"{species}-follow-up-{tooth}"]

    assert plan.scope is Scope.SINGLE_TOOTH
    assert plan.teeth == {tooth}
    assert plan_problems(plan) == ()


def test_a_tooth_that_the_species_lacks_has_no_follow_up_plan() -> None:
    assert "cat-follow-up-105" not in PLANS
    assert "dog-follow-up-111" not in PLANS


@pytest.mark.parametrize("species", list(Species))
@pytest.mark.parametrize(
    ("part", "quadrants"),
    [
        ("maxilla", {1, 2}),
        ("mandible", {3, 4}),
        ("maxilla-right", {1}),
        ("maxilla-left", {2}),
        ("mandible-left", {3}),
        ("mandible-right", {4}),
    ],
)
def test_a_regional_plan_shows_every_tooth_of_its_quadrants(
    species: Species, part: str, quadrants: set[int]
) -> None:
    plan = PLANS[f"{species}-{part}"]
    wanted = {t for t in teeth_of(species, Dentition.PERMANENT) if quadrant(t) in quadrants}

    assert wanted <= plan.teeth
    assert all(quadrants & {quadrant(tooth) for tooth in view.teeth} for view in plan.views)
    assert plan.on_request_only or plan.scope is Scope.REGIONAL


def test_an_excerpt_keeps_only_the_substitutes_that_its_views_accept() -> None:
    assert [view.code for view in PLANS["cat-maxilla-left"].substitutes] == ["max-extraoral-l"]
    assert PLANS["cat-mandible"].substitutes == ()


def write(folder: Path, text: str) -> Path:
    (folder / "derived").mkdir()
    (folder / "derived" / "ours.yaml").write_text(text, encoding="utf-8")
    return folder


OURS = """
excerpts:
  - code: our-part
    name: our own part
    of: {of}
    scope: regional
    {choice}
    source: [{{citation: ours, basis: invented}}]
"""


def test_a_site_may_take_its_own_part_of_a_plan(tmp_path: Path) -> None:
    text = OURS.format(of="cat-full-mouth", choice="views: [max-incisors]")

    plans = load_plans(write(tmp_path, text))

    assert [view.code for view in plans["our-part"].views] == ["max-incisors"]


@pytest.mark.parametrize(
    ("of", "choice", "field"),
    [
        ("no-such-plan", "quadrants: [1]", "of"),
        ("cat-full-mouth", "views: [no-such-view]", "views"),
        ("cat-full-mouth", "quadrants: [5]", "quadrants"),
    ],
)
def test_a_part_of_what_is_not_there_is_explained(
    tmp_path: Path, of: str, choice: str, field: str
) -> None:
    with pytest.raises(PlanError) as caught:
        load_plans(write(tmp_path, OURS.format(of=of, choice=choice)))

    assert (caught.value.plan, caught.value.field) == ("our-part", field)


def test_an_excerpt_chosen_in_two_ways_is_refused(tmp_path: Path) -> None:
    text = OURS.format(of="cat-full-mouth", choice="quadrants: [1]\n    views: [max-incisors]")

    with pytest.raises(InvalidInput, match="quadrants or views, not both"):
        load_plans(write(tmp_path, text))


def test_a_key_that_stands_twice_is_refused_with_its_line(tmp_path: Path) -> None:
    text = OURS.format(of="cat-full-mouth", choice="quadrants: [1]\n    quadrants: [2]")

    with pytest.raises(InvalidInput, match=r"the key 'quadrants' stands twice \(again in line 8\)"):
        load_plans(write(tmp_path, text))


def test_an_unknown_field_is_named_with_those_that_there_are(tmp_path: Path) -> None:
    text = OURS.format(of="cat-full-mouth", choice="quadrant: [1]")

    with pytest.raises(InvalidInput) as caught:
        load_plans(write(tmp_path, text))

    assert caught.value.field == "ours.yaml: excerpts.0.quadrant"
    assert "was quadrants meant?" in caught.value.expected
    assert "on_request_only" in caught.value.expected


# Young animals


@given(
    species=st.sampled_from(list(Species)),
    age_days=st.integers(0, 9_000),
    weight_kg=st.floats(0.1, 90.0),
)
def test_every_animal_of_known_age_and_weight_gets_one_plan_of_its_teeth(
    species: Species, age_days: int, weight_kg: float
) -> None:
    choice = choose_plan(
        species, weight_kg, born_on=TODAY - timedelta(days=age_days), on=TODAY, plans=PLANS
    )

    assert choice.plan.dentition is dentition_at(species, age_days)
    assert choice.plan.fits_weight(weight_kg)
    assert f"{age_days} days old" in choice.reasons[1]


@pytest.mark.parametrize("species", list(Species))
def test_the_borders_of_age_belong_to_the_older(species: Species) -> None:
    first, last = CHANGING_FROM_DAYS[species], CHANGED_BY_DAYS[species]

    assert dentition_at(species, first - 1) is PlannedDentition.DECIDUOUS
    assert dentition_at(species, first) is PlannedDentition.MIXED
    assert dentition_at(species, last - 1) is PlannedDentition.MIXED
    assert dentition_at(species, last) is PlannedDentition.PERMANENT


def test_an_animal_of_unknown_age_is_taken_as_grown_and_the_reason_says_so() -> None:
    choice = choose_plan(Species.CAT, 4.0)

    assert choice.plan.code == "cat-full-mouth"
    assert "age not told: taken as grown" in choice.reasons[1]


def test_what_somebody_saw_outranks_the_age() -> None:
    born_on = TODAY - timedelta(days=400)

    choice = choose_plan(Species.CAT, 2.0, dentition=Dentition.DECIDUOUS, born_on=born_on, on=TODAY)

    assert choice.plan.code == "cat-deciduous"


def test_a_birth_date_after_the_study_is_refused() -> None:
    with pytest.raises(PlanError, match="Correct the birth date"):
        choose_plan(Species.CAT, 2.0, born_on=TODAY + timedelta(days=1), on=TODAY)


def test_a_mixed_plan_names_positions_by_their_permanent_teeth() -> None:
    plan: Plan = PLANS["dog-mixed"]

    wrong = plan.model_copy(
        update={"views": (plan.views[0].model_copy(update={"teeth": (501,)}), *plan.views[1:])}
    )

    assert plan_problems(plan) == ()
    assert "a permanent tooth of the dog" in {p.expected for p in plan_problems(wrong)}
