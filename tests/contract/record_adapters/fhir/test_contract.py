"""The FHIR adapter by the contract suite."""

from __future__ import annotations

import pytest

from services.records.adapters.fhir import FhirAdapter
from services.records.port import (
    PatientRecord,
)
from services.records.suite.cases import RecordCases
from tests.record_stand_ins.fhir_server import FhirServer


class TestFhirAdapter(RecordCases):
    @pytest.fixture
    def record(self, adapter: FhirAdapter) -> PatientRecord:
        return adapter


class TestFhirAdapterNotesInTransactions:
    """What the suite asks of notes, of a server that takes transactions."""

    test_a_note_is_taken_once = RecordCases.test_a_note_is_taken_once_however_often_it_comes
    test_each_revision = RecordCases.test_each_revision_of_a_note_has_its_own_place
    test_other_content = RecordCases.test_a_note_with_other_content_at_the_same_revision_is_rejected

    @pytest.fixture
    def record(self, fhir: FhirServer, adapter: FhirAdapter) -> PatientRecord:
        fhir.behave(transactions=True)
        return adapter
