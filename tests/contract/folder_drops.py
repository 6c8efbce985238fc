"""What the record side leaves in the folder of a record."""

from __future__ import annotations

import json
import os
from pathlib import Path

from schemas.facts import OrderPlaced

LONG_AGO_S = 1_000_000_000


def leave(path: Path, content: object, *, old: bool = True) -> Path:
    """Leave a file as the record side would; an old one is not being written any more."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    if old:
        os.utime(path, (LONG_AGO_S, LONG_AGO_S))
    return path


def order_file(**changes: object) -> dict[str, object]:
    return {
        "kind": "order_placed",
        "site": "north",
        "occurred_at": "2026-03-02T08:00:00Z",
        "payload": OrderPlaced.EXAMPLES[0],
        **changes,
    }
