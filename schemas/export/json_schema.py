"""JSON Schema (draft 2020-12) of the envelope and of every fact and conclusion."""

from typing import Any

from schemas.base import Contract
from schemas.envelope import Envelope
from schemas.messages import KINDS

DIALECT = "https://json-schema.org/draft/2020-12/schema"
ENVELOPE_VERSION = 1


def json_schemas() -> dict[str, dict[str, Any]]:
    """Give the schema of each message by ``<kind>.v<version>``, and that of the envelope."""
    schemas = {f"envelope.v{ENVELOPE_VERSION}": schema_of(Envelope, "envelope", ENVELOPE_VERSION)}
    for kind, model in KINDS.items():
        schemas[f"{kind}.v{model.VERSION}"] = schema_of(model, kind, model.VERSION)
    return schemas


def schema_of(model: type[Contract], name: str, version: int) -> dict[str, Any]:
    """Give what the model accepts as JSON, with its examples."""
    return {
        "$schema": DIALECT,
        "$id": f"urn:gomphosis:{name}:{version}",
        **model.model_json_schema(mode="validation"),
        "examples": list(model.EXAMPLES),
    }
