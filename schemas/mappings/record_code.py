"""One code of a patient record, and which of our tables are translated to such codes."""

from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, Field

from schemas.base import Contract, Text
from schemas.mappings.record_codes import Word

System = Annotated[str, Field(min_length=1, max_length=255, pattern=r"^\S+$")]
"""The URI of a code or identifier system, as FHIR writes it."""


class Table(StrEnum):
    """What of ours has a code of the record; each is a field of ``PostedCodes``.

    ``VIEWS`` are the views of plans, ``PLANS`` the procedures, ``DEPARTMENTS`` where a site's work
    is booked; ``STAFF`` are those who sign.
    """

    CHARGES = "charges"
    STAFF = "staff"
    SITES = "sites"
    DEPARTMENTS = "departments"
    SPECIES = "species"
    TEETH = "teeth"
    VIEWS = "views"
    PLANS = "plans"


class RecordCode(Contract):
    """A code of the record. ``system`` is only there where it is not its table's."""

    code: Word
    display: Text | None = None
    system: System | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"code": "INV-T-108", "display": "Upper fourth premolar, right (invented)"},
    )


def _in_quotes(told: Any) -> Any:
    """Refuse a number with a word on quotes: YAML would make another code of 0108."""
    if isinstance(told, bool | int | float):
        expected = f"a code in quotes, so that it stays as it is written: '{told}'"
        raise ValueError(f"expected {expected}")  # noqa: TRY004 - pydantic takes this for a refusal
    return told


def _written(told: Any) -> Any:
    """Take a word alone for a code."""
    return {"code": told} if isinstance(told, str) else _in_quotes(told)


CodeWord = Annotated[Word, BeforeValidator(_in_quotes)]

Coded = Annotated[
    RecordCode | None,
    BeforeValidator(_written, json_schema_input_type=RecordCode | Word | None),
]
"""A code, or null: the record has none, and is told nothing of it."""
