"""Invented HL7 v2 messages changed by a segment, and what is read of them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from schemas.facts import OrderPlaced, PatientDescribed
from schemas.facts.order import Patient
from services.intake.hl7_message import read_message
from services.intake.hl7_reading import ReadFacts, read_facts
from tests.record_inputs.codes import codes, north
from tests.record_inputs.hl7_texts import joined

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def read(lines: list[str], codec: str = "ascii", **changes: Any) -> ReadFacts:
    return read_facts(read_message(joined(lines, codec)), codes(**changes), north())


def placed(lines: list[str], **changes: Any) -> OrderPlaced:
    (fact,) = read(lines, **changes).facts
    assert isinstance(fact, OrderPlaced)
    return fact


def described(lines: list[str], codec: str = "ascii", **changes: Any) -> Patient:
    (fact,) = read(lines, codec, **changes).facts
    assert isinstance(fact, PatientDescribed)
    return fact.patient


def swapped(lines: list[str], name: str, new: str) -> list[str]:
    return [new if line.startswith(name) else line for line in lines]


def without(lines: list[str], name: str) -> list[str]:
    return [line for line in lines if not line.startswith(name)]
