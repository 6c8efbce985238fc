"""The documents of a note in a FHIR server: each replaces the one before, whatever goes wrong."""

from __future__ import annotations

from typing import Any

import pytest

from schemas.conclusions import NoteState
from services.records.adapters.fhir import FhirAdapter
from services.records.port import RecordUnavailable
from services.records.suite import accepted
from services.records.suite.samples import note, note_posting
from tests.record_stand_ins.fhir_server import FhirServer

STATES = (NoteState.DRAFT, NoteState.SIGNED, NoteState.ADDENDED)


def post(adapter: FhirAdapter, *revisions: int) -> list[str]:
    return [
        accepted(adapter.post_note(note_posting(note(revision, STATES[revision - 1]))))
        for revision in revisions
    ]


def statuses(fhir: FhirServer) -> list[str]:
    return [one["status"] for one in fhir.held("DocumentReference")]


def replaced(document: dict[str, Any]) -> list[tuple[str, str]]:
    related = document.get("relatesTo", [])
    return [(one["code"], one["target"]["reference"]) for one in related]


@pytest.fixture(params=[False, True], ids=["steps", "transaction"])
def transactions(request: pytest.FixtureRequest, fhir: FhirServer) -> bool:
    fhir.behave(transactions=request.param)
    return bool(request.param)


@pytest.mark.usefixtures("transactions")
class TestReplaced:
    def test_each_revision_replaces_the_one_before_which_is_superseded(
        self, fhir: FhirServer, adapter: FhirAdapter
    ) -> None:
        names = post(adapter, 1, 2, 3)

        assert statuses(fhir) == ["superseded", "superseded", "current"]
        assert [replaced(one) for one in fhir.held("DocumentReference")] == [
            [],
            [("replaces", names[0])],
            [("replaces", names[1])],
        ]

    def test_of_an_older_one_nothing_but_its_status_is_changed(
        self, fhir: FhirServer, adapter: FhirAdapter
    ) -> None:
        post(adapter, 1)
        (before,) = fhir.held("DocumentReference")
        by_hand = {**before, "description": "Words of the record (invented)."}
        fhir.control(resources=[by_hand])

        post(adapter, 2)

        after = fhir.held("DocumentReference")[0]
        unlike = {name for name in after if after[name] != by_hand[name]}
        assert unlike == {"status", "meta"}

    def test_posted_again_nothing_is_changed_again(
        self, fhir: FhirServer, adapter: FhirAdapter
    ) -> None:
        names = post(adapter, 1, 2)
        before = fhir.held("DocumentReference")

        assert post(adapter, 2, 2) == [names[1]] * 2
        assert fhir.held("DocumentReference") == before

    def test_an_older_revision_that_comes_late_is_superseded_at_once(
        self, fhir: FhirServer, adapter: FhirAdapter
    ) -> None:
        post(adapter, 1, 3)

        post(adapter, 2)

        held = fhir.held("DocumentReference")
        assert [one["docStatus"] for one in held] == ["preliminary", "amended", "final"]
        assert statuses(fhir) == ["superseded", "current", "superseded"]
        assert held[2]["meta"]["versionId"] == "1"  # it was never current

    def test_one_that_a_person_marked_as_an_error_is_left_and_replaced_by_none(
        self, fhir: FhirServer, adapter: FhirAdapter
    ) -> None:
        post(adapter, 1)
        (first,) = fhir.held("DocumentReference")
        fhir.control(resources=[{**first, "status": "entered-in-error"}])

        post(adapter, 2)

        assert statuses(fhir) == ["entered-in-error", "current"]
        assert replaced(fhir.held("DocumentReference")[1]) == []


@pytest.mark.parametrize("commit", [True, False], ids=["done", "not-done"])
def test_cut_off_before_the_older_one_is_marked_it_is_marked_at_the_next_try(
    fhir: FhirServer, adapter: FhirAdapter, *, commit: bool
) -> None:
    (first,) = post(adapter, 1)
    # In steps: the report is updated (a PUT that passes), the document made, the older one marked.
    fhir.control(
        faults=[{"do": "pass", "method": "PUT"}, {"do": "cut", "method": "PUT", "commit": commit}]
    )

    with pytest.raises(RecordUnavailable):
        post(adapter, 2)
    assert statuses(fhir) == [("superseded" if commit else "current"), "current"]
    second = post(adapter, 2)

    assert statuses(fhir) == ["superseded", "current"]
    held = fhir.held("DocumentReference")
    assert [f"DocumentReference/{one['id']}" for one in held] == [first, *second]
    assert replaced(held[1]) == [("replaces", first)]


def test_cut_off_before_the_newer_one_is_there_the_older_one_stays_current(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    post(adapter, 1)
    fhir.fault("cut", commit=False)  # of what is created only the document is not held yet

    with pytest.raises(RecordUnavailable):
        post(adapter, 2)

    assert statuses(fhir) == ["current"]
    post(adapter, 2)
    assert statuses(fhir) == ["superseded", "current"]


def test_a_transaction_whose_answer_was_lost_is_done_once(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.behave(transactions=True)
    post(adapter, 1)
    fhir.fault("cut")

    with pytest.raises(RecordUnavailable):
        post(adapter, 2)
    post(adapter, 2)

    assert statuses(fhir) == ["superseded", "current"]


def test_a_document_that_changed_meanwhile_is_read_again_before_it_is_marked(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    post(adapter, 1)
    fhir.control(
        faults=[
            {"do": "pass", "method": "PUT"},
            {"do": "status", "method": "PUT", "status": 412, "commit": False},
        ]
    )

    with pytest.raises(RecordUnavailable, match="changed meanwhile"):
        post(adapter, 2)
    post(adapter, 2)

    told = fhir.requests("PUT", "DocumentReference")
    assert [one["headers"]["If-Match"] for one in told] == ['W/"1"'] * 2
    assert statuses(fhir) == ["superseded", "current"]
