"""View plans: the packaged ones are sound, wrong ones are explained, no choice is a guess."""

import json
from collections import Counter
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import assume, given
from hypothesis import strategies as st

import schemas.plans
from schemas.base import Contract
from schemas.errors import InvalidInput
from schemas.plans import (
    Basis,
    Plan,
    PlanError,
    PlannedDentition,
    Scope,
    Source,
    Technique,
    View,
    check_choice,
    check_plan,
    load_plans,
    plan_for,
    plan_problems,
    read_plan,
)
from schemas.teeth import Dentition, Species, arch, side, teeth_of

PLANS = load_plans()
FULL_MOUTH = [plan for plan in PLANS.values() if plan.scope is Scope.FULL_MOUTH]


DERIVED = [
    plan
    for code, plan in PLANS.items()
    if not (Path(schemas.plans.__file__).parent / f"{code.replace('-', '_')}.yaml").is_file()
]


def as_data(plan: Plan) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(plan.model_dump_json())
    return data


def from_data(data: dict[str, Any]) -> Plan:
    return Plan.model_validate_json(json.dumps(data))


@pytest.fixture
def cat() -> dict[str, Any]:
    """The packaged cat plan as plain data, free to be spoiled."""
    return as_data(PLANS["cat-full-mouth"])


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


# Wrong plans


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


# Reading


def write_plan(folder: Path, name: str, data: dict[str, Any]) -> Path:
    path = folder / name
    path.write_text(yaml.safe_dump(data, sort_keys=False), encoding="utf-8")
    return path


def test_a_plan_survives_writing_and_reading(tmp_path: Path) -> None:
    for plan in PLANS.values():
        assert read_plan(write_plan(tmp_path, "plan.yaml", as_data(plan))) == plan


def test_a_site_plan_replaces_the_packaged_one_of_its_code(
    tmp_path: Path, cat: dict[str, Any]
) -> None:
    cat["name"] = "our own cat plan"
    write_plan(tmp_path, "ours.yaml", cat)

    plans = load_plans(tmp_path)

    assert plans["cat-full-mouth"].name == "our own cat plan"
    assert set(plans) == set(PLANS)
    assert load_plans()["cat-full-mouth"].name != "our own cat plan"


def test_a_second_plan_for_the_same_animal_is_refused_with_the_remedy(
    tmp_path: Path, cat: dict[str, Any]
) -> None:
    cat["code"] = "our-cat"
    write_plan(tmp_path, "ours.yaml", cat)

    with pytest.raises(PlanError) as caught:
        load_plans(tmp_path)

    assert caught.value.plan == "our-cat"
    assert "give your plan the code cat-full-mouth to replace it" in str(caught.value)


def test_a_second_plan_on_request_only_is_loaded_and_never_chosen(
    tmp_path: Path, cat: dict[str, Any]
) -> None:
    cat |= {"code": "our-cat", "on_request_only": True}
    write_plan(tmp_path, "ours.yaml", cat)

    plans = load_plans(tmp_path)

    assert "our-cat" in plans
    assert plan_for(Species.CAT, 4.0, plans=plans).code == "cat-full-mouth"


def test_two_files_with_one_code_are_refused(tmp_path: Path, cat: dict[str, Any]) -> None:
    write_plan(tmp_path, "a.yaml", cat)
    write_plan(tmp_path, "b.yaml", cat)

    with pytest.raises(PlanError, match=r"b\.yaml: code"):
        load_plans(tmp_path)


def test_a_missing_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as caught:
        load_plans(tmp_path / "absent")

    assert caught.value.field == "extra_dir"


@pytest.mark.parametrize(
    ("path", "value", "field"),
    [
        (("views", 0, "receptor_size"), 5, "views.0.receptor_size"),
        (("views", 0, "receptor_size"), "2", "views.0.receptor_size"),
        (("views", 3, "technique"), "occlusal", "views.3.technique"),
        (("views", 2, "teeth"), [], "views.2.teeth"),
        (("species",), "horse", "species"),
        (("cautions",), [], "cautions"),
        (("colour",), "red", "colour"),
        (("weight_max_kg",), -1.0, "weight_max_kg"),
        (("source", 0, "basis"), "hearsay", "source.0.basis"),
    ],
)
def test_a_wrong_field_in_a_file_is_named(
    tmp_path: Path, cat: dict[str, Any], path: tuple[str | int, ...], value: object, field: str
) -> None:
    target: Any = cat
    for step in path[:-1]:
        target = target[step]
    target[path[-1]] = value

    with pytest.raises(InvalidInput) as caught:
        read_plan(write_plan(tmp_path, "ours.yaml", cat))

    assert caught.value.field == f"ours.yaml: {field}"


@pytest.mark.parametrize("text", ["", "- a\n- b\n", "code: [unclosed\n", "code: x\n\tname: y\n"])
def test_a_file_that_is_no_plan_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "ours.yaml").write_text(text, encoding="utf-8")

    with pytest.raises(InvalidInput, match=r"ours\.yaml"):
        load_plans(tmp_path)


# Choosing


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
