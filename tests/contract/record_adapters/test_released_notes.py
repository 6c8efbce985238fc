"""A refused note that a person releases, at real records of FHIR and HL7 v2: held once."""

from __future__ import annotations

from schemas.conclusions import NoteState
from schemas.facts import NoteReleased
from services.records.suite.samples import STUDY, note
from services.runtime.store import Store
from tests.contract.record_adapters.posting_desk import Desk
from tests.record_stand_ins.fhir_server import FhirServer, known_patient
from tests.record_stand_ins.mllp_server import MllpServer

KEY = f"note:{STUDY}:2"
RELEASED = NoteReleased(study_instance_uid=STUDY)


def test_once_a_fhir_record_knows_the_patient_the_released_note_is_there_once(
    fhir: FhirServer, store: Store
) -> None:
    fhir.control(set={"knows_every_patient": False})
    adapter = fhir.adapter()
    desk = Desk(store, adapter)
    desk.take(note(2, NoteState.SIGNED))
    desk.post_all(rounds=3)
    assert desk.states() == {KEY: "rejected"}
    assert fhir.held("DocumentReference") == []

    fhir.control(resources=[known_patient("P-1001")])
    desk.take(RELEASED, RELEASED)
    desk.post_all(rounds=3)
    desk.take(RELEASED)
    desk.post_all(rounds=3)

    assert desk.states() == {KEY: "posted"}
    assert len(fhir.held("DocumentReference")) == len(fhir.held("DiagnosticReport")) == 1
    adapter.close()


def test_of_a_note_that_an_hl7_record_took_in_part_the_rest_is_taken_after_the_release(
    mllp: MllpServer, store: Store
) -> None:
    mllp.control(
        faults=[
            {"do": "pass"},  # the report is taken, and its document refused
            {"do": "refuse", "code": "AE", "condition": "103", "words": "no such type (invented)"},
        ],
    )
    adapter = mllp.adapter()
    desk = Desk(store, adapter)
    desk.take(note(2, NoteState.SIGNED))
    desk.post_all(rounds=3)
    assert desk.states() == {KEY: "rejected"}

    desk.take(RELEASED, RELEASED)
    desk.post_all(rounds=3)

    assert desk.states() == {KEY: "posted"}
    assert sorted(one["kind"] for one in mllp.control()["notes"]) == ["MDM", "ORU"]
    ids = [lines[0].split("|")[9] for lines in mllp.messages()]
    assert ids[0] == ids[2], "the report that was taken is known again by its control id"
    assert ids[1] != ids[3], "a refusal is not repeated unread"
    adapter.close()
