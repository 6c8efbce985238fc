"""The plan for an animal: no choice is a guess."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from schemas.plans import PlanError, PlannedDentition, Scope, check_choice, plan_for
from schemas.teeth import Dentition, Species
from tests.packaged_plans import PLANS


@given(st.floats(min_value=0.05, max_value=150.0))
def test_every_animal_with_a_weight_gets_one_plan_that_fits(weight_kg: float) -> None:
    for species in Species:
        plan = plan_for(species, weight_kg, plans=PLANS)

        assert (plan.species, plan.scope) == (species, Scope.FULL_MOUTH)
        assert plan.fits_weight(weight_kg)


def test_the_bound_between_two_plans_belongs_to_the_heavier() -> None:
    bound = PLANS["dog-full-mouth"].weight_max_kg
    assert bound is not None

    assert plan_for(Species.DOG, bound).code == "dog-full-mouth-large"
    assert plan_for(Species.DOG, bound - 0.001).code == "dog-full-mouth"


def test_a_cat_needs_no_weight_since_one_plan_serves_every_cat() -> None:
    assert plan_for(Species.CAT, None).code == "cat-full-mouth"


def test_a_dog_without_a_weight_gets_no_guess() -> None:
    with pytest.raises(PlanError) as caught:
        plan_for(Species.DOG, None)

    assert caught.value.field == "weight_kg"
    assert "dog-full-mouth, dog-full-mouth-large" in caught.value.expected
    assert "Record the weight, or name the plan in the order." in str(caught.value)


@pytest.mark.parametrize("weight_kg", [0.0, -3.0, float("nan"), float("inf")])
def test_a_weight_that_is_none_is_refused(weight_kg: float) -> None:
    with pytest.raises(PlanError, match="a body weight in kg above 0"):
        plan_for(Species.CAT, weight_kg)


def test_an_animal_that_no_plan_is_made_for_is_told_so() -> None:
    grown = {c: p for c, p in PLANS.items() if p.dentition is PlannedDentition.PERMANENT}

    with pytest.raises(PlanError, match="Name a plan in the order, or add one"):
        plan_for(Species.CAT, 0.8, dentition=Dentition.DECIDUOUS, plans=grown)


bounds = st.one_of(st.none(), st.sampled_from([2.0, 5.0, 10.0, 20.0]))


@given(st.tuples(bounds, bounds), st.tuples(bounds, bounds))
def test_two_plans_are_refused_exactly_when_some_weight_fits_both(
    one: tuple[float | None, float | None], other: tuple[float | None, float | None]
) -> None:
    # Given two plans with proper ranges whose bounds are among a few weights
    ranges = [(low, high) for low, high in (one, other)]
    assume(all(low is None or high is None or low < high for low, high in ranges))
    base = PLANS["cat-full-mouth"]
    pair = [
        base.model_copy(update={"code": code, "weight_min_kg": low, "weight_max_kg": high})
        for code, (low, high) in zip(("one", "other"), ranges, strict=True)
    ]
    probes = [0.5, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 90.0]

    shared = any(all(plan.fits_weight(probe) for plan in pair) for probe in probes)

    if shared:
        with pytest.raises(PlanError):
            check_choice(pair)
    else:
        check_choice(pair)
