"""Tariffs: the packaged ones, a group's own, their versions, and what is refused in a file."""

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import yaml

from schemas.errors import InvalidInput
from schemas.tariffs import Tariff, load_tariffs, read_tariff
from schemas.teeth import Species
from tests.tariffs import articles, tariff, tax

FOLDER = Path(__file__).parents[2] / "schemas" / "tariffs"
PACKAGED = FOLDER / "invented_2026.yaml"
DAY = date(2026, 3, 2)


def _written(folder: Path, name: str = "own.yaml", **changes: Any) -> Path:
    """Write a copy of the packaged tariff with changes into ``folder``."""
    content = yaml.safe_load(PACKAGED.read_text()) | changes
    path = folder / name
    path.write_text(yaml.safe_dump(content))
    return path


def _values(**changes: Any) -> dict[str, Any]:
    """Give the values of the tests' own tariff, as a file holds them."""
    values = tariff().model_dump(mode="json", exclude_defaults=True)
    return values | changes


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.yaml")), ids=lambda path: path.stem)
def test_every_packaged_tariff_is_marked_invented(path: Path) -> None:
    found = read_tariff(path)

    assert found.basis == "invented"
    assert found.code.startswith("invented")
    for code, article in found.articles.items():
        assert code.startswith("INV-")
        assert "invented" in article.description


def test_the_packaged_tariff_prices_dog_and_cat() -> None:
    found = load_tariffs().on("invented-2026", DAY)

    assert found.currency == "EUR"
    assert {rule.when.species for rule in found.views} == {(species,) for species in Species}
    assert found.articles["INV-DOG-FIRST"].unit_amount == Decimal("38.00")


def test_the_example_of_every_option_names_every_field_of_a_tariff() -> None:
    told = yaml.safe_load((FOLDER / "invented_every_option.yaml").read_text())

    assert set(told) == set(Tariff.model_fields)


def test_a_tariff_of_the_group_replaces_the_packaged_one_of_its_code(tmp_path: Path) -> None:
    _written(tmp_path, title="Our own", basis="group")
    _written(tmp_path, "other.yaml", code="south-2026")

    tariffs = load_tariffs(tmp_path)

    assert tariffs.on("invented-2026", DAY).title == "Our own"
    assert list(tariffs) == ["invented-2026", "invented-every-option", "south-2026"]


def test_the_version_that_holds_on_the_day_counts(tmp_path: Path) -> None:
    _written(tmp_path, "a.yaml", title="first", valid_to="2026-06-30")
    _written(tmp_path, "b.yaml", title="second", valid_from="2026-08-01")

    tariffs = load_tariffs(tmp_path)

    def on(*day: int) -> tuple[str, bool]:
        found = tariffs.on("invented-2026", date(*day))
        return found.title, found.holds_on(date(*day))

    assert on(2026, 6, 30) == ("first", True)
    assert on(2026, 7, 15) == ("first", False), "of a day between, what ended before is told"
    assert on(2026, 8, 1) == ("second", True)
    assert on(2025, 12, 31) == ("first", False)


@pytest.mark.parametrize("valid_to", [None, "2026-07-01"])
def test_two_versions_that_hold_on_one_day_are_refused(
    tmp_path: Path, valid_to: str | None
) -> None:
    _written(tmp_path, "a.yaml", valid_to=valid_to)
    _written(tmp_path, "b.yaml", valid_from="2026-07-01")

    with pytest.raises(InvalidInput, match=r"a\.yaml: valid_to.*a day before 2026-07-01"):
        load_tariffs(tmp_path)


@pytest.mark.parametrize(
    ("changes", "field", "expected"),
    [
        ({"currency": "euro"}, "currency", "match pattern"),
        ({"valid_from": "soon"}, "valid_from", "valid date"),
        ({"views": []}, "views", "at least 1"),
        (
            {
                "views": [
                    {"name": "x", "when": {"species": ["horse"]}, "first": "a", "further": "a"}
                ]
            },
            "views.0.when.species.0",
            "'dog' or 'cat'",
        ),
        ({"discount": 1}, "discount", "not permitted"),
        ({"basis": "guessed"}, "basis", "'invented' or 'group'"),
        ({"referral": {"discount_percent": 10}}, "referral.discount_percent", "text in quotes"),
        ({"referral": {"discount_percent": "101"}}, "referral.discount_percent", "100"),
        (
            {"minimum_charge": {"article": "INV-COVER", "amount": "-1.20"}},
            "minimum_charge.amount",
            "greater than 0",
        ),
        (
            {"minimum_charge": {"article": "INV-COVER", "amount": "1.205"}},
            "minimum_charge.amount",
            "decimal places",
        ),
        ({"rounding": "down"}, "rounding", "'half_up' or 'half_even'"),
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


RULE = {"name": "all", "first": "FIRST", "further": "NEXT"}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"valid_to": "2025-12-31"}, "valid_to on or after"),
        ({"views": [RULE | {"first": "LOST"}]}, "views.0.first: expected a code among articles"),
        ({"caps": {"by_code": {"LOST": {"quantity": 1}}}}, "caps.by_code.LOST"),
        ({"sites": {"north": {"unit_amounts": {"LOST": "1"}}}}, "sites.north.unit_amounts.LOST"),
        ({"views": [RULE, RULE]}, "views: expected each once, got all"),
        ({"tax": tax()}, ".tax: expected one of standard, got None"),
        ({"articles": articles("standard")}, "expected none, for the tariff has no tax"),
        ({"after_hours": {"article": "LATE"}}, "expected opening_hours"),
        ({"views": [RULE | {"when": {"after_hours": True}}]}, "expected opening_hours"),
        ({"currency": "JPY"}, "expected whole units of JPY"),
        ({"currency": "KWD"}, "at most two decimals"),
        ({"caps": {"by_code": {"NEXT": {}}}}, "quantity, amount or both"),
        (
            {"views": [RULE | {"when": {"weight_from_kg": 5.0, "weight_below_kg": 5.0}}]},
            "weight_below_kg above",
        ),
        (
            {"opening_hours": {"week": {"monday": [{"opens": "18:00", "closes": "08:00"}]}}},
            "closes after opens",
        ),
    ],
)
def test_what_does_not_go_together_is_refused(
    tmp_path: Path, changes: dict[str, Any], expected: str
) -> None:
    path = tmp_path / "own.yaml"
    path.write_text(yaml.safe_dump(_values(**changes)))

    with pytest.raises(InvalidInput) as caught:
        read_tariff(path)

    assert expected in caught.value.expected


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="nowhere"):
        load_tariffs(tmp_path / "nowhere")
