"""`gomphosis check-tariff` and `gomphosis price-again`, as a person types them."""

import json
from datetime import UTC, date
from pathlib import Path
from typing import Any

import pytest
import yaml

from schemas.tariffs import load_tariffs
from services.charges import store as charges_store
from services.charges.assess import ChargedStudy, assess_charges
from services.runtime.store import Store
from tests.assessed import assessed, image
from tests.command_line import gomphosis, own_environment

_ROOT = Path(__file__).parents[2]
_PACKAGED = _ROOT / "schemas" / "tariffs" / "invented_2026.yaml"


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    return own_environment(tmp_path)


def _own(folder: Path, **changes: Any) -> Path:
    """Write a copy of the packaged tariff with changes."""
    path = folder / "own.yaml"
    path.write_text(yaml.safe_dump(yaml.safe_load(_PACKAGED.read_text()) | changes))
    return path


def test_a_sound_tariff_is_called_so(environment: dict[str, str]) -> None:
    shown = gomphosis(environment, "check-tariff", str(_PACKAGED))

    assert shown.returncode == 0, shown.stderr
    assert "Nothing odd was found." in shown.stdout


def test_a_rule_that_never_counts_ends_with_four_and_prices_are_compared(
    environment: dict[str, str], tmp_path: Path
) -> None:
    content = yaml.safe_load(_PACKAGED.read_text())
    content["articles"]["INV-DOG-FIRST"]["unit_amount"] = "39.90"
    every = {"name": "every", "first": "INV-DOG-FIRST", "further": "INV-DOG-NEXT"}
    content["views"].insert(0, every)
    content["valid_from"] = "2027-01-01"
    path = _own(tmp_path, **content)
    arguments = ("check-tariff", str(path), "--against", str(_PACKAGED))

    shown = gomphosis(environment, *arguments)
    told = json.loads(gomphosis(environment, *arguments, "--json").stdout)

    assert shown.returncode == 4
    assert "unreachable" in shown.stdout
    assert "+5.0 %" in shown.stdout
    assert {one["where"] for one in told["findings"]} == {"views.dog", "views.cat"}
    assert told["changes"]["prices"] == [
        {"code": "INV-DOG-FIRST", "before": "38.00", "after": "39.90", "percent": "5.0"}
    ]
    assert any("valid_to 2026-12-31" in words for words in told["changes"]["words"])


def test_a_file_that_is_no_tariff_is_refused_by_its_field(
    environment: dict[str, str], tmp_path: Path
) -> None:
    shown = gomphosis(environment, "check-tariff", str(_own(tmp_path, discount="10")))

    assert shown.returncode == 1
    assert "discount" in shown.stderr


def test_a_period_priced_again_shows_the_difference_for_each_code_and_keeps_nothing(
    environment: dict[str, str], tmp_path: Path
) -> None:
    # given: two studies of March that were charged
    assert gomphosis(environment, "migrate").returncode == 0
    tariff = load_tariffs().on("invented-2026", date(2026, 3, 2))
    opened = Store(f"sqlite:///{tmp_path / 'data'}/gomphosis.sqlite")
    for uid, images in (("2.25.1", [image(1), image(2)]), ("2.25.2", [image(1)])):
        study = assessed(images=images).model_copy(update={"study_instance_uid": uid})
        charged, _ = assess_charges(ChargedStudy(assessment=study), (), tariff, UTC)
        with opened.begin() as connection:
            charges_store.write_studies(connection, {("bramble", uid): charged})
    opened.close()
    content = yaml.safe_load(_PACKAGED.read_text())
    content["articles"]["INV-DOG-FIRST"]["unit_amount"] = "40.00"
    content["articles"]["INV-DOG-NEXT"]["unit_amount"] = "13.00"
    content["valid_from"] = "2027-01-01"
    path = _own(tmp_path, **content)
    period = ("--tariff", str(path), "--from", "2026-03-01", "--to", "2026-03-31")

    # when
    told = json.loads(gomphosis(environment, "price-again", *period, "--json").stdout)
    shown = gomphosis(environment, "price-again", *period)

    # then
    assert told["codes"]["INV-DOG-FIRST"] == {
        "quantity_before": 2,
        "quantity_after": 2,
        "before": "76.00",
        "after": "80.00",
        "difference": "4.00",
    }
    assert told["codes"]["INV-DOG-NEXT"]["difference"] == "-1.50"
    assert (told["studies"], told["dearer"], told["difference"]) == (2, 2, "2.50")
    assert "2 studies from 2026-03-01 to 2026-03-31" in shown.stdout
    assert "+2.50" in shown.stdout
    again = json.loads(gomphosis(environment, "price-again", *period, "--json").stdout)
    assert again == told


def test_a_tariff_in_another_currency_is_not_compared(
    environment: dict[str, str], tmp_path: Path
) -> None:
    assert gomphosis(environment, "migrate").returncode == 0
    tariff = load_tariffs().on("invented-2026", date(2026, 3, 2))
    opened = Store(f"sqlite:///{tmp_path / 'data'}/gomphosis.sqlite")
    study = ChargedStudy(assessment=assessed(images=[image(1)]))
    with opened.begin() as connection:
        charged, _ = assess_charges(study, (), tariff, UTC)
        charges_store.write_studies(connection, {("bramble", "2.25.1001"): charged})
    opened.close()
    path = _own(tmp_path, currency="CHF")

    shown = gomphosis(
        environment,
        "price-again",
        "--tariff",
        str(path),
        "--from",
        "2026-03-01",
        "--to",
        "2026-03-31",
    )

    assert shown.returncode == 1
    assert "EUR" in shown.stderr
