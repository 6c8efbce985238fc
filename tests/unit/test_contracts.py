"""Every contract of ``schemas``: its examples, its strictness, its exported form."""

from __future__ import annotations

import copy
import importlib
import json
import pkgutil
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from jsonschema import Draft7Validator, Draft202012Validator
from pydantic import ValidationError

import schemas
from schemas import export
from schemas.base import Contract
from schemas.channels import EXCHANGE_OF, OPEN_KINDS, SUBSCRIPTIONS, Exchange
from schemas.envelope import Envelope, Payload, Source, new_id
from schemas.errors import InvalidInput
from schemas.export.__main__ import main
from schemas.export.json_schema import schema_of
from schemas.facts import FACTS, ExposureEnded, ImageStored
from schemas.messages import KINDS, MAX_MESSAGE_BYTES, parse
from schemas.upcast import UPCASTERS, upcast


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
KIND_NAMES = sorted(KINDS)


def message_of(kind: str, **payload: Any) -> dict[str, Any]:
    """Make a valid message of a kind as JSON, with these changes to its payload."""
    model = KINDS[kind]
    return {
        **copy.deepcopy(Envelope.EXAMPLES[0]),
        "kind": kind,
        "schema_version": model.VERSION,
        "payload": {**copy.deepcopy(model.EXAMPLES[0]), **payload},
    }


def encoded(message: dict[str, Any]) -> bytes:
    return json.dumps(message).encode()


def refused(body: bytes) -> InvalidInput:
    with pytest.raises(InvalidInput) as caught:
        parse(body)
    return caught.value


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


# Messages ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KIND_NAMES)
def test_a_message_survives_encoding_and_parsing(kind: str) -> None:
    message = parse(encoded(message_of(kind)))

    assert parse(message.encode()) == message
    assert message.routing_key == f"{kind}.example-group.north"
    assert message.natural_key


@pytest.mark.parametrize("kind", KIND_NAMES)
def test_a_resend_under_another_id_has_the_same_natural_key(kind: str) -> None:
    first = parse(encoded(message_of(kind)))
    again = parse(encoded({**message_of(kind), "id": str(new_id())}))

    assert first.id != again.id
    assert first.natural_key == again.natural_key


def test_a_message_that_follows_keeps_the_chain() -> None:
    cause = parse(encoded(message_of("order_placed")))

    effect = cause.caused(cause.payload, Source(kind="service", name="assessment"))

    assert effect.causation_id == cause.id
    assert effect.correlation_id == cause.correlation_id
    assert parse(effect.encode()) == effect


@pytest.mark.parametrize(
    ("message", "field", "expected"),
    [
        (b"", "message", "Invalid JSON"),
        (b'{"id": "0193', "message", "Invalid JSON"),
        (b"\xff\xfe\x00", "message", "Invalid JSON"),
        (b"[]", "message", "object"),
        (b"[" * 100_000, "message", "recursion"),
        (b"{}", "id", "required"),
        ({"kind": "exposure_begun"}, "kind", "exposure_ended"),
        ({"kind": "Not A Kind"}, "kind", "pattern"),
        ({"schema_version": 3}, "schema_version", "at most 2"),
        ({"schema_version": 0}, "schema_version", "greater than or equal to 1"),
        ({"occurred_at": "2026-03-02T09:15:00"}, "occurred_at", "timezone"),
        ({"occurred_at": 1_772_442_900}, "occurred_at", "datetime"),
        ({"site": "../north"}, "site", "pattern"),
        ({"source": {"kind": "device"}}, "source.name", "required"),
        ({"source_clock": "a\x00b"}, "source_clock", "pattern"),
        ({"payload": []}, "payload", "object"),
        ({"payload": {"tube_kv": -65.0}}, "payload.tube_kv", "greater than 0"),
        ({"payload": {"tube_kv": "65"}}, "payload.tube_kv", "number"),
        ({"payload": {"tube_kv": float("nan")}}, "payload.tube_kv", "finite"),
        ({"payload": {"exposure_counter": 1.5}}, "payload.exposure_counter", "integer"),
        ({"payload": {"generator_serial": "a\x00b"}}, "payload.generator_serial", "NUL"),
        ({"payload": {"receptor": "wax"}}, "payload.receptor", "film"),
        ({"payload": {"colour": "red"}}, "payload.colour", "not permitted"),
    ],
    ids=lambda value: str(value)[:50],
)
def test_bad_input_is_refused_by_field_and_expectation(
    message: bytes | dict[str, Any], field: str, expected: str
) -> None:
    if isinstance(message, dict):
        payload = message.get("payload", {})
        whole = message_of("exposure_ended", **(payload if isinstance(payload, dict) else {}))
        changes = {} if isinstance(payload, dict) else {"payload": payload}
        outside = {name: value for name, value in message.items() if name != "payload"}
        message = encoded({**whole, **outside, **changes})

    error = refused(message)

    assert error.field == field
    assert expected in error.expected
    assert field in str(error)


def test_an_oversized_message_is_refused_before_it_is_read() -> None:
    error = refused(b" " * (MAX_MESSAGE_BYTES + 1))

    assert error.field == "message"
    assert "1000000" in error.expected


def test_a_hostile_value_cannot_fill_the_log() -> None:
    error = refused(encoded(message_of("exposure_ended", tube_kv="x" * 100_000)))

    assert len(str(error)) < 400


def test_text_that_only_looks_like_a_nul_is_text() -> None:
    message = parse(encoded(message_of("order_cancelled", reason=r"a backslash: \u0000")))

    assert getattr(message.payload, "reason", None) == r"a backslash: \u0000"


def test_a_negative_zero_or_huge_money_amount_is_refused_to_the_cent() -> None:
    for amount in ("38.001", "1e300", "NaN", "12345678901.00"):
        error = refused(encoded(message_of("charges_assessed", total=amount)))
        assert error.field.startswith("payload.total")


JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**40), 10**40)
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(["2026-03-02T09:15:00", "0001-01-01T00:00:00+14:00", "1e999", "NaN"]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)


def parses_or_refuses(body: bytes) -> None:
    """Parse; anything but a message or InvalidInput passes on and fails the test."""
    try:
        message = parse(body)
    except InvalidInput as error:
        told = (error.field, error.expected)
        message = None
    if message is None:
        assert all(told)
    else:
        assert parse(message.encode()) == message


@given(st.binary(max_size=300))
def test_any_bytes_are_a_message_or_invalid_input(body: bytes) -> None:
    parses_or_refuses(body)


@settings(max_examples=400)
@given(st.sampled_from(KIND_NAMES), st.data())
def test_a_message_with_anything_changed_is_a_message_or_invalid_input(
    kind: str, data: st.DataObject
) -> None:
    message = message_of(kind)
    message["schema_version"] = data.draw(st.integers(1, 3) | st.just(message["schema_version"]))
    for _ in range(data.draw(st.integers(1, 3))):
        where = message if data.draw(st.booleans()) else message["payload"]
        if isinstance(where, dict) and where:
            where[data.draw(st.sampled_from(sorted(where)))] = data.draw(JSON_VALUES)

    parses_or_refuses(encoded(message))


@given(JSON_VALUES)
@example(10**400)
def test_an_old_exposure_time_of_any_value_is_a_message_or_invalid_input(seconds: Any) -> None:
    message = old_exposure()
    message["payload"]["exposure_s"] = seconds

    parses_or_refuses(encoded(message))


@given(st.binary(max_size=40), st.integers(0, 2_000), st.sampled_from(KIND_NAMES))
def test_a_message_with_bytes_overwritten_is_a_message_or_invalid_input(
    noise: bytes, place: int, kind: str
) -> None:
    body = encoded(message_of(kind))
    place %= len(body)

    parses_or_refuses(body[:place] + noise + body[place + len(noise) :])


# Older versions ------------------------------------------------------------------------------


def old_exposure() -> dict[str, Any]:
    """Make an exposure as version 1 told it: in seconds, with no set time."""
    message = message_of("exposure_ended")
    message["schema_version"] = 1
    for name in ("set_exposure_ms", "exposure_ms"):
        del message["payload"][name]
    message["payload"]["exposure_s"] = 0.12
    return message


@pytest.mark.parametrize("told", ["NaN", "Infinity", "-Infinity"])
def test_no_fact_holds_what_is_no_number(told: str) -> None:
    image = json.dumps(ImageStored.EXAMPLES[0] | {"deviation_index": 0})

    with pytest.raises(ValidationError, match="deviation_index"):
        ImageStored.model_validate_json(
            image.replace('"deviation_index": 0', f'"deviation_index": {told}')
        )


def test_an_exposure_in_seconds_of_version_1_is_read_in_milliseconds() -> None:
    payload = parse(encoded(old_exposure())).payload

    assert isinstance(payload, ExposureEnded)
    assert (payload.exposure_ms, payload.set_exposure_ms) == (120.0, 120.0)
    assert payload.tube_kv == ExposureEnded.EXAMPLES[0]["tube_kv"]


@pytest.mark.parametrize("seconds", [-0.1, 61.0, 1e9, 10**400, float("nan"), "0.12", True, None])
def test_an_old_exposure_time_that_is_none_is_refused(seconds: Any) -> None:
    message = old_exposure()
    message["payload"]["exposure_s"] = seconds

    assert refused(encoded(message)).field in {
        "payload.exposure_ms",
        "payload.set_exposure_ms",
        "message",
    }


def test_an_upcaster_leaves_what_it_was_given_as_it_was() -> None:
    payload = old_exposure()["payload"]
    before = copy.deepcopy(payload)

    upcast("exposure_ended", 1, 2, payload)

    assert payload == before


def test_every_upcaster_belongs_to_a_kind_and_an_older_version() -> None:
    for kind, version in UPCASTERS:
        assert version < KINDS[kind].VERSION


# Channels ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KIND_NAMES)
def test_every_kind_is_heard_where_it_is_published(kind: str) -> None:
    heard = {pair for subscription in SUBSCRIPTIONS for pair in subscription.kinds}

    assert (EXCHANGE_OF[kind], kind) in heard or kind in OPEN_KINDS


def test_only_conclusions_may_go_unheard() -> None:
    assert {EXCHANGE_OF[kind] for kind in OPEN_KINDS} <= {Exchange.CONCLUSIONS}


@pytest.mark.parametrize("fact", FACTS, ids=lambda fact: fact.KIND)
def test_every_fact_may_be_offered(fact: type[Payload]) -> None:
    heard = {pair for subscription in SUBSCRIPTIONS for pair in subscription.kinds}

    assert (Exchange.OFFERS, fact.KIND) in heard


def test_nobody_hears_a_kind_that_does_not_exist() -> None:
    for subscription in SUBSCRIPTIONS:
        for exchange, kind in subscription.kinds:
            assert kind in KINDS
            assert exchange in {Exchange.OFFERS, EXCHANGE_OF[kind]}


def test_queues_have_names_of_their_own() -> None:
    queues = [subscription.queue for subscription in SUBSCRIPTIONS]

    assert len(set(queues)) == len(queues)


# Export --------------------------------------------------------------------------------------


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
