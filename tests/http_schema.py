"""What the HTTP doors take and answer, as OpenAPI, for tests: no door serves it to anybody."""

from __future__ import annotations

from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from services.console.access import RULES, Scope
from services.console.security import CSRF_FIELD

_SEEN: Final = {"200": "a page, a part of one, or a file", "303": "another page of ours"}
_DONE: Final = {"200": "what was told", "204": "done", "303": "done; another page of ours"}
_TROUBLES: Final = {
    "400": "the form is none of ours or no longer good",
    "403": "another role or site, or a wrong signature",
    "404": "nothing of this name",
    "413": "too much at once",
    "422": "something that cannot be used",
    "429": "too many taps",
    "503": "just now not",
}
_FACTS: Final = {
    "200": "all kept or known",
    "207": "some kept, some rejected",
    "400": "no JSON, or no list of facts",
    "401": "no token of the group",
    "403": "none that this holder may tell",
    "413": "too much at once",
    "503": "nothing kept; send it again",
}


def console_schema(app: FastAPI) -> dict[str, Any]:
    """Describe every page, with the statuses that the table of access allows."""
    schema = _schema_of(app)
    for route in app.routes:
        if not isinstance(route, APIRoute):
            continue
        method = next(iter(route.methods or ()))
        told = schema["paths"][route.path][method.lower()]
        statuses = (_SEEN if method == "GET" else _DONE) | _TROUBLES
        if RULES[method, route.path].scope is not Scope.OPEN:
            statuses = statuses | {"401": "nobody is signed in"}
        told["responses"] = _responses(statuses)
        if method == "POST" and "requestBody" not in told:
            # Its function reads the form itself, so FastAPI knows of no field.
            form = {"type": "object", "additionalProperties": {"type": "string"}}
            told["requestBody"] = {
                "content": {"application/x-www-form-urlencoded": {"schema": form}}
            }
    return schema


def intake_schema(app: FastAPI, kinds: list[str]) -> dict[str, Any]:
    """Describe ``POST /facts``."""
    schema = _schema_of(app)
    told = schema["paths"]["/facts"]["post"]
    offer = {
        "type": "object",
        "properties": {
            "kind": {"anyOf": [{"enum": kinds}, {"type": "string"}]},
            "schema_version": {"type": "integer"},
            "occurred_at": {"type": "string", "format": "date-time"},
            "source_clock": {"type": "string"},
            "correlation_id": {"type": "string"},
            "payload": {"type": "object"},
        },
        "required": ["kind", "occurred_at", "payload"],
    }
    told["requestBody"] = {
        "required": True,
        "content": {"application/json": {"schema": {"type": "array", "items": offer}}},
    }
    told["responses"] = _responses(_FACTS)
    return schema


def _schema_of(app: FastAPI) -> dict[str, Any]:
    return get_openapi(title=app.title, version="tests", routes=app.routes)


def _responses(statuses: dict[str, str]) -> dict[str, Any]:
    return {status: {"description": words} for status, words in statuses.items()}


CSRF: Final = CSRF_FIELD
