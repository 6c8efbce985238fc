"""Messages as they are read: whole or refused by field, whatever comes, in any older version."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from schemas.envelope import Source, new_id
from schemas.errors import InvalidInput
from schemas.facts import ExposureEnded
from schemas.messages import KINDS, MAX_MESSAGE_BYTES, parse
from schemas.upcast import UPCASTERS, upcast
from tests.kind_messages import KIND_NAMES, encoded, message_of, old_exposure, refused


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
