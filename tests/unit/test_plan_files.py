"""View plans read from files: a site's own beside the packaged ones."""

from pathlib import Path
from typing import Any

import pytest
import yaml

from schemas.errors import InvalidInput
from schemas.plans import PlanError, load_plans, plan_for, read_plan
from schemas.teeth import Species
from tests.packaged_plans import PLANS, as_data


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
