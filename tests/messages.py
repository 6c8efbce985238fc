"""Messages for tests: invented, valid, and as small as can be."""

from datetime import UTC, datetime, timedelta
from typing import Any

from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import ClockRead

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def message(payload: Payload, **header: Any) -> Message[Payload]:
    """Wrap a payload in a header of an invented site."""
    parts: dict[str, Any] = {
        "id": new_id(),
        "group": "test-group",
        "site": "north",
        "occurred_at": NOON,
        "received_at": NOON,
        "source": Source(kind="device", name="generator-1"),
        "correlation_id": "test",
        "payload": payload,
    }
    return Message(**(parts | header))


def clock_read(number: int = 0, **header: Any) -> Message[Payload]:
    """Make the ``number``-th of a row of different facts."""
    payload = ClockRead(device="generator-1", device_time=NOON + timedelta(seconds=number))
    return message(payload, **header)
