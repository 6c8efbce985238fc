"""Tariffs: the packaged one, a group's own, and what is refused in a file."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import yaml

from schemas.base import Contract
from schemas.errors import InvalidInput
from schemas.tariffs import Price, Tariff, ViewPrices, load_tariffs, read_tariff
from schemas.teeth import Species

PACKAGED = Path(__file__).parents[2] / "schemas" / "tariffs" / "invented_2026.yaml"


def _written(folder: Path, name: str = "own.yaml", **changes: Any) -> Path:
    """Write a copy of the packaged tariff with changes into ``folder``."""
    content = yaml.safe_load(PACKAGED.read_text()) | changes
    path = folder / name
    path.write_text(yaml.safe_dump(content))
    return path


@pytest.mark.parametrize("contract", [Price, ViewPrices, Tariff])
def test_every_example_validates(contract: type[Contract]) -> None:
    assert contract.EXAMPLES
    for example in contract.EXAMPLES:
        contract.model_validate_json(json.dumps(example))


def test_the_packaged_tariff_is_marked_invented_and_prices_dog_and_cat() -> None:
    tariff = load_tariffs()["invented-2026"]

    assert tariff.basis == "invented"
    assert tariff.currency == "EUR"
    assert set(tariff.views) == set(Species)
    prices = [
        price for view in tariff.views.values() for price in (view.first_view, view.further_view)
    ]
    assert all("invented" in price.description for price in prices)
    assert tariff.views[Species.DOG].first_view.unit_amount == Decimal("38.00")


def test_a_tariff_of_the_group_replaces_the_packaged_one_of_its_code(tmp_path: Path) -> None:
    _written(tmp_path, title="Our own", basis="group")
    _written(tmp_path, "other.yaml", code="south-2026")

    tariffs = load_tariffs(tmp_path)

    assert tariffs["invented-2026"].title == "Our own"
    assert list(tariffs) == ["invented-2026", "south-2026"]


@pytest.mark.parametrize(
    ("changes", "field", "expected"),
    [
        ({"currency": "euro"}, "currency", "match pattern"),
        ({"valid_from": "soon"}, "valid_from", "valid date"),
        ({"views": {}}, "views", "at least 1"),
        ({"views": {"horse": ViewPrices.EXAMPLES[0]}}, "views.horse", "'dog' or 'cat'"),
        ({"discount": 1}, "discount", "not permitted"),
        ({"basis": "guessed"}, "basis", "'invented' or 'group'"),
        (
            {"sensor_cover": {"code": "C", "description": "Cover", "unit_amount": 1.2}},
            "sensor_cover.unit_amount",
            "text in quotes",
        ),
        (
            {"sensor_cover": {"code": "C", "description": "Cover", "unit_amount": "-1.20"}},
            "sensor_cover.unit_amount",
            "greater than 0",
        ),
        (
            {"sensor_cover": {"code": "C", "description": "Cover", "unit_amount": "1.205"}},
            "sensor_cover.unit_amount",
            "decimal places",
        ),
    ],
)
def test_a_wrong_value_is_refused_with_file_field_and_what_was_expected(
    tmp_path: Path, changes: dict[str, Any], field: str, expected: str
) -> None:
    path = _written(tmp_path, **changes)

    with pytest.raises(InvalidInput) as caught:
        read_tariff(path)

    assert caught.value.field.startswith(f"own.yaml: {field}")
    assert expected in caught.value.expected


def test_two_files_of_one_code_are_refused(tmp_path: Path) -> None:
    _written(tmp_path, "a.yaml")
    _written(tmp_path, "b.yaml")

    with pytest.raises(InvalidInput, match=r"b\.yaml: code"):
        load_tariffs(tmp_path)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="nowhere"):
        load_tariffs(tmp_path / "nowhere")
