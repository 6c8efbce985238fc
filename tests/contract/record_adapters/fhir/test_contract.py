"""The FHIR adapter by the contract suite."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from services.records.port import ChargePosting, NotePosting
from services.records.suite import RecordCases
from services.records.suite.durability_cases import DurabilityCases
from services.records.suite.given import Away, Open, Refuse
from services.records.suite.note_cases import NoteCases
from tests.record_stand_ins.fhir_server import FhirServer


class TestFhirAdapter(RecordCases):
    @pytest.fixture
    def open_record(self, fhir: FhirServer) -> Open:
        return fhir.adapter

    @pytest.fixture
    def refuse(self, fhir: FhirServer) -> Refuse:
        def refuse_next(_posting: ChargePosting | NotePosting, words: str) -> None:
            fhir.fault("status", status=422, words=words, commit=False)

        return refuse_next

    @pytest.fixture
    def away(self, fhir: FhirServer) -> Away:
        @contextmanager
        def down() -> Iterator[None]:
            fhir.kill()
            yield
            fhir.start()

        return down

    @pytest.fixture
    def lose_next_answer(self, fhir: FhirServer) -> Callable[[], None]:
        return lambda: fhir.fault("cut")


class TestFhirAdapterWithBatches(DurabilityCases):
    """What the suite asks of charges that go together, of a server that takes batches."""

    @pytest.fixture
    def open_record(self, fhir: FhirServer) -> Open:
        fhir.behave(batches=True)
        return fhir.adapter


class TestFhirAdapterNotesInTransactions(NoteCases):
    """What the suite asks of notes, of a server that takes transactions."""

    @pytest.fixture
    def open_record(self, fhir: FhirServer) -> Open:
        fhir.behave(transactions=True)
        return fhir.adapter
