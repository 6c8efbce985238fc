"""What every adapter to a patient record must do, whatever record it speaks to."""

from __future__ import annotations

from services.records.suite.charge_cases import ChargeCases
from services.records.suite.durability_cases import DurabilityCases
from services.records.suite.identifier_cases import IdentifierCases
from services.records.suite.line_cases import LineCases
from services.records.suite.note_cases import NoteCases
from services.records.suite.trouble_cases import TroubleCases


class RecordCases(
    ChargeCases, LineCases, NoteCases, IdentifierCases, DurabilityCases, TroubleCases
):
    """The contract suite of ``services.records.port.PatientRecord``."""
