"""From bytes to a typed message, with an error that names the field when they do not fit."""

from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import from_json, to_json

from schemas.conclusions import CONCLUSIONS
from schemas.envelope import Envelope, Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import FACTS
from schemas.upcast import upcast

MAX_MESSAGE_BYTES = 1_000_000
"""Larger messages are refused. Images travel by DICOM and stay on disk, never on the bus."""

KINDS: dict[str, type[Payload]] = {model.KIND: model for model in (*FACTS, *CONCLUSIONS)}


def parse(body: bytes) -> Message[Payload]:
    """Read one message.

    Raises
    ------
    InvalidInput
        For malformed JSON, an unknown kind, a newer version, or a field that breaks its
        contract; it names the field and what was expected.
    """
    if len(body) > MAX_MESSAGE_BYTES:
        raise InvalidInput("message", f"{len(body)} bytes", f"at most {MAX_MESSAGE_BYTES} bytes")
    try:
        envelope = Envelope.model_validate_json(body)
    except ValidationError as error:
        raise invalid_input(error, "message") from error
    return open_envelope(envelope)


def open_envelope(envelope: Envelope) -> Message[Payload]:
    """Read the payload of an envelope as the model of its kind."""
    payload = read_payload(envelope.kind, envelope.schema_version, envelope.payload)
    return Message(
        id=envelope.id,
        group=envelope.group,
        site=envelope.site,
        occurred_at=envelope.occurred_at,
        source_clock=envelope.source_clock,
        received_at=envelope.received_at,
        source=envelope.source,
        correlation_id=envelope.correlation_id,
        causation_id=envelope.causation_id,
        payload=payload,
    )


def read_payload(kind: str, version: int, payload: dict[str, Any]) -> Payload:
    """Validate a payload that was read from JSON, bringing an older version up to date."""
    model = KINDS.get(kind)
    if model is None:
        raise InvalidInput("kind", kind, f"one of {', '.join(sorted(KINDS))}")
    if version > model.VERSION:
        raise InvalidInput(
            "schema_version", version, f"at most {model.VERSION} for {kind}: upgrade this service"
        )
    body = to_json(upcast(kind, version, model.VERSION, payload))
    if b"\\u0000" in body:
        _refuse_nul(payload, "payload")
    try:
        return model.model_validate_json(body)
    except ValidationError as error:
        raise invalid_input(error, "payload") from error


def _refuse_nul(value: Any, field: str) -> None:
    """Refuse a NUL character in any text: PostgreSQL keeps none, so the store would fail later."""
    if isinstance(value, str) and "\x00" in value:
        raise InvalidInput(field, value, "text without NUL characters")
    if isinstance(value, dict):
        for name, inner in value.items():
            _refuse_nul(name, field)
            _refuse_nul(inner, f"{field}.{name}")
    elif isinstance(value, list | tuple):
        for place, inner in enumerate(value):
            _refuse_nul(inner, f"{field}.{place}")


def load_json(body: bytes) -> Any:
    """Read JSON, or tell where it is malformed."""
    try:
        return from_json(body)
    except ValueError as error:
        raise InvalidInput("message", body[:200], f"JSON ({error})") from error


_TOO_LARGE_IN: Final = {
    "tube_kv": "V",
    "tube_current_ma": "µA",
    "set_exposure_ms": "µs",
    "exposure_ms": "µs",
}
"""The unit that a number too large for its field is suspected to be in. Only asked, never taken."""


def invalid_input(error: ValidationError, root: str) -> InvalidInput:
    """Turn the first of pydantic's errors into ours; the rest follow once it is mended."""
    first = error.errors(include_url=False)[0]
    path = ".".join(str(part) for part in first["loc"]) or root
    field = path if root == "message" else f"{root}.{path}" if path != root else root
    more = error.error_count() - 1
    unit = _TOO_LARGE_IN.get(str(first["loc"][-1])) if first["loc"] else None
    asked = f"; told in {unit}?" if unit and first["type"] == "less_than_equal" else ""
    expected = first["msg"] + asked + (f" (and {more} more)" if more else "")
    return InvalidInput(field, first["input"], expected)
