"""The exported contracts: current, and true to the messages that really go out."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator

from schemas import export
from schemas.channels import SUBSCRIPTIONS, Exchange
from schemas.export.__main__ import main
from schemas.messages import KINDS, parse
from tests.kind_messages import KIND_NAMES, encoded, message_of


def test_the_export_is_current() -> None:
    assert export.stale_files() == [], "run python -m schemas.export"


@pytest.fixture
def exported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the exported files, for a test to spoil."""
    folder = tmp_path / "export"
    shutil.copytree(export.FOLDER, folder, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    monkeypatch.setattr("schemas.export.stale_files.__defaults__", (folder,))
    monkeypatch.setattr("schemas.export.write.__defaults__", (folder,))
    return folder


def test_the_check_names_what_is_stale_and_writing_mends_it(
    exported: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--check"]) == 0
    (exported / "json" / "order_placed.v1.json").write_text("{}")
    (exported / "json" / "clock_read.v1.json").unlink()
    (exported / "json" / "unheard_of.v1.json").write_text("{}")

    assert main(["--check"]) == 1

    told = capsys.readouterr().err
    for name in ("order_placed", "clock_read", "unheard_of"):
        assert f"stale: schemas/export/json/{name}.v1.json" in told
    assert "asyncapi" not in told
    assert main([]) == 0
    assert main(["--check"]) == 0
    assert not (exported / "json" / "unheard_of.v1.json").exists()


@pytest.mark.parametrize("kind", KIND_NAMES)
def test_an_exported_schema_takes_the_examples_and_no_stranger(kind: str) -> None:
    model = KINDS[kind]
    schema = json.loads((export.FOLDER / "json" / f"{kind}.v{model.VERSION}.json").read_text())
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)

    for valid in model.EXAMPLES:
        validator.validate(valid)
        assert not validator.is_valid({**valid, "unheard_of": 1})
    assert not validator.is_valid({})


@pytest.fixture(scope="module")
def asyncapi() -> dict[str, Any]:
    document: dict[str, Any] = json.loads((export.FOLDER / "asyncapi.json").read_text())
    return document


def references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("$ref"), str):
            yield value["$ref"]
        for inner in value.values():
            yield from references(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from references(inner)


def resolve(document: dict[str, Any], reference: str) -> Any:
    assert reference.startswith("#/")
    place: Any = document
    for part in reference.removeprefix("#/").split("/"):
        place = place[part]
    return place


def test_the_asyncapi_document_has_what_version_3_asks_for(asyncapi: dict[str, Any]) -> None:
    # Required fields by the published JSON Schema of AsyncAPI 3.0.0 (asyncapi/spec-json-schemas,
    # read): root asyncapi and info; info title and version; operation action and channel; the
    # AMQP channel binding 0.3.0 names a queue or an exchange.
    assert asyncapi["asyncapi"] == "3.0.0"
    assert asyncapi["info"]["title"]
    assert asyncapi["info"]["version"]
    assert set(asyncapi) <= {
        "asyncapi", "id", "info", "servers", "defaultContentType", "channels", "operations",
        "components",
    }  # fmt: skip
    for operation in asyncapi["operations"].values():
        assert operation["action"] in {"send", "receive"}
        channel = operation["channel"]["$ref"]
        known = {f"{channel}/messages/{name}" for name in resolve(asyncapi, channel)["messages"]}
        assert {message["$ref"] for message in operation["messages"]} <= known
    for channel in asyncapi["channels"].values():
        binding = channel["bindings"]["amqp"]
        assert binding["bindingVersion"] == "0.3.0"
        assert ("exchange" in binding) == (binding["is"] == "routingKey")
        assert ("queue" in binding) == (binding["is"] == "queue")
        named = set(re.findall(r"\{(\w+)\}", channel["address"]))
        assert set(channel.get("parameters", {})) == named


def test_every_reference_of_the_asyncapi_document_leads_somewhere(asyncapi: dict[str, Any]) -> None:
    found = list(references(asyncapi))

    assert len(found) > 100
    for reference in found:
        assert isinstance(resolve(asyncapi, reference), dict)


def test_the_asyncapi_document_tells_the_whole_topology(asyncapi: dict[str, Any]) -> None:
    assert set(asyncapi["components"]["messages"]) == set(KINDS)
    bindings = [channel["bindings"]["amqp"] for channel in asyncapi["channels"].values()]
    exchanges = {one["exchange"]["name"] for one in bindings if "exchange" in one}
    assert exchanges == {exchange.value for exchange in Exchange}
    for subscription in SUBSCRIPTIONS:
        channel = asyncapi["channels"][f"queue_{subscription.queue}"]
        assert channel["address"] == subscription.queue
        assert set(channel["messages"]) == {kind for _, kind in subscription.kinds}


@pytest.mark.parametrize("kind", KIND_NAMES)
def test_the_message_schemas_of_the_asyncapi_document_take_real_messages(
    asyncapi: dict[str, Any], kind: str
) -> None:
    message = asyncapi["components"]["messages"][kind]
    schema = {**message["payload"], "components": asyncapi["components"]}
    Draft7Validator.check_schema(schema)
    validator = Draft7Validator(schema)

    validator.validate(json.loads(parse(encoded(message_of(kind))).encode()))
    for told in message["examples"]:
        assert parse(encoded(told["payload"])).kind == kind
        validator.validate(told["payload"])
    other = next(name for name in KIND_NAMES if name != kind)
    assert not validator.is_valid(message_of(other))
    assert not validator.is_valid({**message_of(kind), "payload": {"unheard_of": 1}})
