"""Dose limits and reference levels: examples, files, and what they may be taken for."""

import json
from pathlib import Path

import pytest

from schemas.base import Contract
from schemas.errors import InvalidInput
from schemas.group import Tube
from schemas.limits import (
    DoseLimits,
    Levels,
    PublishedReferenceLevels,
    ReferenceLevel,
    ScopeLimits,
    load_dose_limits,
    load_published_reference_levels,
)
from schemas.outputs import OutputPoint, SpectrumModel
from schemas.tube_calibration import LinearityCheck, MeasuredOutput, TubeCalibration


@pytest.mark.parametrize(
    "contract",
    [
        OutputPoint,
        SpectrumModel,
        Levels,
        ScopeLimits,
        DoseLimits,
        ReferenceLevel,
        PublishedReferenceLevels,
        TubeCalibration,
        MeasuredOutput,
        LinearityCheck,
        Tube,
    ],
)
def test_every_example_validates(contract: type[Contract]) -> None:
    assert contract.EXAMPLES
    for example in contract.EXAMPLES:
        contract.model_validate_json(json.dumps(example))


def test_the_shipped_limits_are_marked_invented_and_the_comparators_human() -> None:
    assert load_dose_limits().basis == "invented"
    published = load_published_reference_levels()
    assert published.population == "human dental"
    for level in published.levels:
        assert level.label().startswith("Human dental comparator, not an animal limit")
        assert ("from memory" in level.label()) == (level.basis == "std")


def test_reference_levels_cannot_be_passed_off_as_animal_levels(tmp_path: Path) -> None:
    wrong = tmp_path / "levels.yaml"
    wrong.write_text("population: dog\nnote: n\nlevels: []\n", encoding="utf-8")
    with pytest.raises(InvalidInput, match=r"levels\.yaml: population"):
        load_published_reference_levels(wrong)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("a: [", "YAML"),
        ("name: x\n", "basis"),
        (
            "{name: x, basis: group, note: n, per_exposure: {kerma_mgy: {notify: 2, alert: 1}, "
            "kap_mgycm2: null}, per_study: {kerma_mgy: null, kap_mgycm2: null}}",
            "alert must not be below notify",
        ),
    ],
)
def test_a_wrong_limits_file_is_refused_with_the_place(
    tmp_path: Path, text: str, named: str
) -> None:
    wrong = tmp_path / "limits.yaml"
    wrong.write_text(text, encoding="utf-8")
    with pytest.raises(InvalidInput, match=named):
        load_dose_limits(wrong)


def test_a_missing_limits_file_is_refused_with_its_path(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match=r"absent\.yaml"):
        load_dose_limits(tmp_path / "absent.yaml")
