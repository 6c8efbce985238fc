"""Messages of every kind as JSON, made from the examples of their contracts."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from schemas.envelope import Envelope
from schemas.errors import InvalidInput
from schemas.messages import KINDS, parse

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


def old_exposure() -> dict[str, Any]:
    """Make an exposure as version 1 told it: in seconds, with no set time."""
    message = message_of("exposure_ended")
    message["schema_version"] = 1
    for name in ("set_exposure_ms", "exposure_ms"):
        del message["payload"][name]
    message["payload"]["exposure_s"] = 0.12
    return message
