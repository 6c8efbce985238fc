"""Every contract of ``schemas``: its examples and its strictness."""

from __future__ import annotations

import importlib
import json
import pkgutil
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import ValidationError

import schemas
from schemas.base import Contract
from schemas.export.json_schema import schema_of
from schemas.facts import ImageStored
from schemas.messages import KINDS, parse
from tests.kind_messages import encoded, message_of


def _modules() -> Iterator[str]:
    for module in pkgutil.walk_packages(schemas.__path__, "schemas."):
        # A program that writes a data file when it runs, and one with a command line.
        if not module.name.endswith((".make_spectrum_model", ".__main__")):
            yield module.name


def _subclasses(model: type[Contract]) -> Iterator[type[Contract]]:
    for one in model.__subclasses__():
        yield one
        yield from _subclasses(one)


for _name in _modules():
    importlib.import_module(_name)

CONTRACTS = sorted(
    {
        model
        for model in _subclasses(Contract)
        if model.model_fields and model.__module__.startswith("schemas.")
    },
    key=lambda model: (model.__module__, model.__name__),
)
EXAMPLES = [
    pytest.param(model, example, id=f"{model.__module__}.{model.__name__}-{number}")
    for model in CONTRACTS
    for number, example in enumerate(model.EXAMPLES)
]


# Examples ------------------------------------------------------------------------------------


def test_the_contracts_were_found() -> None:
    names = {model.__name__ for model in CONTRACTS}

    assert {"Envelope", "Patient", "Plan", "Group", "DoseLimits", "LedgerEntry"} <= names
    assert {model.__name__ for model in KINDS.values()} <= names


@pytest.mark.parametrize("model", CONTRACTS, ids=lambda model: model.__name__)
def test_every_contract_has_an_example(model: type[Contract]) -> None:
    assert model.EXAMPLES


@pytest.mark.parametrize(("model", "example"), EXAMPLES)
def test_an_example_is_valid_json_input_and_survives_the_round(
    model: type[Contract], example: dict[str, Any]
) -> None:
    made = model.model_validate_json(json.dumps(example))

    assert model.model_validate_json(made.model_dump_json()) == made


@pytest.mark.parametrize(("model", "example"), EXAMPLES)
def test_an_example_and_what_we_write_of_it_fit_the_exported_schema(
    model: type[Contract], example: dict[str, Any]
) -> None:
    validator = Draft202012Validator(schema_of(model, "example", 1))

    validator.validate(example)
    validator.validate(json.loads(model.model_validate_json(json.dumps(example)).model_dump_json()))


# Strictness ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("model", "example"), EXAMPLES)
def test_a_field_that_nobody_knows_is_refused(
    model: type[Contract], example: dict[str, Any]
) -> None:
    with pytest.raises(ValidationError, match="unheard_of"):
        model.model_validate_json(json.dumps({**example, "unheard_of": 1}))


NUMBERS = [
    pytest.param(model, example, name, id=f"{model.__name__}.{name}")
    for model in CONTRACTS
    for example in model.EXAMPLES
    for name, value in example.items()
    if isinstance(value, int | float) and not isinstance(value, bool)
]


@pytest.mark.parametrize(("model", "example", "name"), NUMBERS)
def test_text_is_no_number(model: type[Contract], example: dict[str, Any], name: str) -> None:
    with pytest.raises(ValidationError) as caught:
        model.model_validate_json(json.dumps({**example, name: str(example[name])}))

    assert caught.value.errors()[0]["loc"][0] == name


MOMENT = re.compile(r"^\d{4}-\d\d-\d\dT[\d:.]+Z$")
MOMENTS = [
    pytest.param(model, example, name, id=f"{model.__name__}.{name}")
    for model in CONTRACTS
    for example in model.EXAMPLES
    for name, value in example.items()
    if isinstance(value, str) and MOMENT.match(value)
]


@pytest.mark.parametrize(("model", "example", "name"), MOMENTS)
@pytest.mark.parametrize(
    "told", ["{}", "{}+99:00", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"]
)
def test_a_time_without_zone_or_beyond_all_calendars_is_refused(
    model: type[Contract], example: dict[str, Any], name: str, told: str
) -> None:
    wrong = told.format(example[name].removesuffix("Z"))

    with pytest.raises(ValidationError) as caught:
        model.model_validate_json(json.dumps({**example, name: wrong}))

    assert caught.value.errors()[0]["loc"][0] == name


def test_a_time_of_any_zone_is_kept_in_utc() -> None:
    message = message_of("order_cancelled")
    message["occurred_at"] = "2026-03-02T10:15:00+01:00"

    assert parse(encoded(message)).occurred_at == datetime(2026, 3, 2, 9, 15, tzinfo=UTC)
    assert parse(encoded(message)).occurred_at.tzinfo is UTC


@pytest.mark.parametrize(("model", "example"), EXAMPLES)
def test_a_contract_cannot_be_changed_once_made(
    model: type[Contract], example: dict[str, Any]
) -> None:
    made = model.model_validate_json(json.dumps(example))

    with pytest.raises(ValidationError, match="frozen"):
        setattr(made, next(iter(model.model_fields)), None)


@pytest.mark.parametrize("told", ["NaN", "Infinity", "-Infinity"])
def test_no_fact_holds_what_is_no_number(told: str) -> None:
    image = json.dumps(ImageStored.EXAMPLES[0] | {"deviation_index": 0})

    with pytest.raises(ValidationError, match="deviation_index"):
        ImageStored.model_validate_json(
            image.replace('"deviation_index": 0', f'"deviation_index": {told}')
        )
