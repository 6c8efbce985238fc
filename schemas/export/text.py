"""Exported documents as text that is the same at every run."""

import json
from typing import Any


def as_text(document: dict[str, Any]) -> str:
    """Write a document as JSON; keys keep the order of the models."""
    return json.dumps(document, ensure_ascii=False, indent=2) + "\n"
