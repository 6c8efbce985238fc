"""Orders and what becomes of them, kept by an intake as if its record had told them."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from schemas.envelope import Message, Source, new_id
from schemas.messages import read_payload
from services.intake.accept import accept
from tests.intake_support import Intake


def keep(intake: Intake, kind: Any, *told: dict[str, Any], site: str = "north") -> None:
    """Keep facts of one kind in one transaction."""
    now = datetime.now(UTC)
    messages = [
        Message(
            id=new_id(),
            group="invented-group",
            site=site,
            occurred_at=now,
            received_at=now,
            source=Source(kind="record", name="record-north"),
            correlation_id="test-1",
            payload=read_payload(kind.KIND, kind.VERSION, json.loads(json.dumps(one))),
        )
        for one in told
    ]
    with intake.runtime.store.begin() as connection:
        accept(connection, "intake", messages)
