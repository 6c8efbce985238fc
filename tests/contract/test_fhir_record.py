"""The FHIR adapter by the contract suite, against a stand-in server over real HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from schemas.conclusions import NoteState
from schemas.facts import RecordLine
from services.records.adapters.choose import open_record
from services.records.adapters.fhir import FhirAdapter
from services.records.port import (
    ChargePosting,
    PatientRecord,
    RecordOptionError,
    RecordRefused,
    RecordUnavailable,
    Rejected,
    Unreadable,
)
from services.runtime.settings import RecordsSettings, Settings
from tests.contract.record_cases import RecordCases, accepted
from tests.contract.record_samples import (
    DAY,
    SITE,
    STUDY,
    charge_posting,
    credit,
    entry,
    note,
    note_posting,
)
from tests.record_stand_ins.fhir_server import ORDERS, PATIENTS, FhirServer

KEY = entry().posting_key


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FhirServer]:
    made = FhirServer(tmp_path_factory.mktemp("fhir-record"))
    made.start()
    yield made
    made.kill()


@pytest.fixture
def fhir(server: FhirServer) -> FhirServer:
    """The server, empty and well behaved again."""
    server.control(reset=True)
    return server


@pytest.fixture
def adapter(fhir: FhirServer) -> Iterator[FhirAdapter]:
    made = fhir.adapter()
    yield made
    made.close()


def patient(number: str, **more: Any) -> dict[str, Any]:
    identifier = {"system": PATIENTS, "value": number}
    return {"resourceType": "Patient", "identifier": [identifier], **more}


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


MISBEHAVIOUR: dict[str, dict[str, Any]] = {
    "500": {"do": "status", "status": 500, "commit": False},
    "500 after commit": {"do": "status", "status": 500},
    "409": {"do": "status", "status": 409, "commit": False},
    "409 after commit": {"do": "status", "status": 409},
    "429": {"do": "status", "status": 429, "headers": {"Retry-After": "7"}, "commit": False},
    "connection cut": {"do": "cut", "commit": False},
    "connection cut after commit": {"do": "cut"},
    "half a reply": {"do": "half"},
    "slow": {"do": "slow", "seconds": 2.0},
}


@pytest.mark.parametrize("fault", MISBEHAVIOUR.values(), ids=MISBEHAVIOUR)
def test_whatever_the_server_does_to_a_charge_it_waits_and_is_held_once(
    fhir: FhirServer, fault: dict[str, Any]
) -> None:
    adapter = fhir.adapter(timeout_s="0.5" if fault["do"] == "slow" else "10")
    fhir.fault(**fault)

    with pytest.raises(RecordUnavailable) as told:
        adapter.post_charge(charge_posting())
    accepted(adapter.post_charge(charge_posting()))

    (line,) = adapter.read_charges(study_instance_uid=STUDY)
    assert len(fhir.held("ChargeItem")) == 1
    assert (line.posting_key, line.amount) == (KEY, Decimal("38.00"))
    assert told.value.retry_after_s == (7.0 if fault.get("status") == 429 else None)
    adapter.close()


def test_a_reply_that_comes_twice_is_not_taken_for_that_of_the_next_posting(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.fault("twice")

    references = [accepted(adapter.post_charge(charge_posting(entry(n)))) for n in (1, 2)]

    assert len(set(references)) == 2
    assert [line.reference for line in adapter.read_charges(study_instance_uid=STUDY)] == references


def test_a_412_means_that_the_key_is_held_twice_and_a_person_is_told_where(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    (item,) = fhir.held("ChargeItem")
    fhir.control(resources=[{**item, "id": "by-hand"}])

    answer = adapter.post_charge(charge_posting())

    assert isinstance(answer, Rejected)
    assert "ChargeItem/by-hand" in answer.words
    assert adapter.find_charge(charge_posting()) is None


def test_a_412_that_the_record_gives_without_reason_does_not_lose_or_double_the_charge(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.fault("status", status=412)

    accepted(adapter.post_charge(charge_posting()))

    assert len(fhir.held("ChargeItem")) == 1


def test_a_server_that_passes_over_the_search_does_not_lead_us_to_another_key_or_patient(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.control(resources=[patient("P-2002"), patient("P-1001")])
    accepted(adapter.post_charge(charge_posting(entry(2))))
    fhir.behave(heeds_searches=False)

    assert adapter.find_charge(charge_posting(entry(1))) is None
    (line,) = adapter.read_charges(study_instance_uid=STUDY)
    assert line.patient_id == "P-1001"


def test_the_charge_stays_billable_beside_a_negative_item_that_names_it(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    reference = accepted(adapter.post_charge(charge_posting()))
    accepted(adapter.reverse_charge(charge_posting(credit(2, KEY))))

    charge, reversal = fhir.held("ChargeItem")

    assert (charge["status"], reversal["status"]) == ("billable", "billable")
    assert (charge["priceOverride"]["value"], reversal["priceOverride"]["value"]) == (38.0, -38.0)
    assert reversal["supportingInformation"] == [{"reference": reference}]


def test_an_item_taken_out_by_hand_is_no_line_and_is_not_posted_over(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    (item,) = fhir.held("ChargeItem")
    fhir.control(resources=[{**item, "status": "entered-in-error"}])

    answer = adapter.post_charge(charge_posting())

    assert isinstance(answer, Rejected)
    assert "entered-in-error" in answer.words
    assert list(adapter.read_lines(SITE, DAY, DAY)) == []


def test_a_line_by_hand_is_read_and_one_that_we_posted_and_was_edited_is_marked(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    (item,) = fhir.held("ChargeItem")
    price = {"value": 45.0, "currency": "EUR"}
    by_hand = {
        "resourceType": "ChargeItem",
        "status": "billed",
        "code": {"coding": [{"code": "INV-HAND"}]},
        "subject": {"reference": item["subject"]["reference"]},
        "occurrenceDateTime": "2026-03-02T09:00:00Z",
        "priceOverride": {"value": 12.5, "currency": "EUR"},
    }
    unpriced = {k: v for k, v in by_hand.items() if k != "priceOverride"}
    fhir.control(resources=[{**item, "priceOverride": price}, by_hand, unpriced])

    edited, hand, unread = adapter.read_lines(SITE, DAY, DAY)

    assert isinstance(edited, RecordLine)
    assert (edited.posting_key, edited.amount, edited.edited) == (KEY, Decimal("45.00"), True)
    assert isinstance(hand, RecordLine)
    assert (hand.posting_key, hand.patient_id, hand.amount) == (None, "P-1001", Decimal("12.50"))
    assert isinstance(unread, Unreadable)
    assert unread.error.field == "ChargeItem.priceOverride.value"
    adapter.settle(unread)
    assert len(list(adapter.read_lines(SITE, DAY, DAY))) == 2


def test_every_page_of_what_is_held_is_read(fhir: FhirServer, adapter: FhirAdapter) -> None:
    fhir.behave(page=2)
    for number in range(1, 6):
        accepted(adapter.post_charge(charge_posting(entry(number))))

    assert len(adapter.read_charges(study_instance_uid=STUDY)) == 5
    assert len(list(adapter.read_lines(SITE, DAY, DAY))) == 5


@pytest.mark.parametrize(
    ("held", "words"),
    [
        ([], "knows no patient P-1001"),
        ([patient("P-1001"), patient("P-1001")], "2 times"),
    ],
    ids=["unknown", "twice"],
)
def test_nothing_is_posted_for_a_patient_whom_the_record_does_not_know_for_certain(
    fhir: FhirServer, adapter: FhirAdapter, held: list[dict[str, Any]], words: str
) -> None:
    fhir.control(set={"knows_every_patient": False}, resources=held)

    answers = [adapter.post_charge(charge_posting()), adapter.post_note(note_posting())]

    assert all(isinstance(one, Rejected) and words in one.words for one in answers)
    assert fhir.held("ChargeItem") == fhir.held("DocumentReference") == []


def test_nothing_is_posted_for_a_patient_who_was_merged_into_another(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.control(resources=[{**patient("P-2"), "id": "kept"}])
    link = {"other": {"reference": "Patient/kept"}, "type": "replaced-by"}
    fhir.control(resources=[patient("P-1001", link=[link])])

    answer = adapter.post_charge(charge_posting())

    assert isinstance(answer, Rejected)
    assert "merged" in answer.words


def test_an_order_is_named_by_its_reference_where_the_record_knows_it(fhir: FhirServer) -> None:
    adapter = fhir.adapter(order_system=ORDERS)
    accepted(adapter.post_charge(charge_posting(entry(1))))
    (known,) = fhir.held("Patient")
    order = {
        "resourceType": "ServiceRequest",
        "id": "order-1",
        "identifier": [{"system": ORDERS, "value": "A1001"}],
        "status": "active",
        "intent": "order",
        "subject": {"reference": f"Patient/{known['id']}"},
    }
    fhir.control(resources=[order])

    accepted(adapter.post_charge(charge_posting(entry(2))))
    accepted(adapter.post_note(note_posting(note(accession_number="A1001"))))

    before, after = (one["supportingInformation"][0] for one in fhir.held("ChargeItem"))
    assert before["identifier"] == {"system": ORDERS, "value": "A1001"}
    assert after == {"reference": "ServiceRequest/order-1"}
    assert fhir.held("DiagnosticReport")[0]["basedOn"] == [after]
    adapter.close()


@pytest.mark.parametrize("transactions", [False, True], ids=["steps", "transaction"])
class TestNotes:
    def test_one_report_follows_the_note_and_every_revision_stays_as_a_document(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool
    ) -> None:
        fhir.behave(transactions=transactions)
        states = (NoteState.DRAFT, NoteState.SIGNED, NoteState.ADDENDED)

        for revision, state in enumerate(states, start=1):
            accepted(adapter.post_note(note_posting(note(revision, state))))
            (report,) = fhir.held("DiagnosticReport")
            assert report["status"] == ("preliminary", "final", "appended")[revision - 1]

        documents = fhir.held("DocumentReference")
        assert [one["docStatus"] for one in documents] == ["preliminary", "final", "amended"]
        (study,) = fhir.held("ImagingStudy")
        related = documents[0]["context"]["related"]
        assert [one["reference"] for one in related] == [
            f"ImagingStudy/{study['id']}",
            f"DiagnosticReport/{report['id']}",
        ]
        assert report["imagingStudy"] == related[:1]
        assert "conclusion" not in report

    def test_an_older_revision_that_comes_late_does_not_put_the_report_back(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool
    ) -> None:
        fhir.behave(transactions=transactions)
        accepted(adapter.post_note(note_posting(note(2, NoteState.SIGNED))))

        accepted(adapter.post_note(note_posting(note(1))))

        assert fhir.held("DiagnosticReport")[0]["status"] == "final"
        assert len(fhir.held("DocumentReference")) == 2

    def test_a_report_that_the_record_has_changed_is_not_overwritten(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool
    ) -> None:
        fhir.behave(transactions=transactions)
        accepted(adapter.post_note(note_posting(note(1))))
        (report,) = fhir.held("DiagnosticReport")
        fhir.control(resources=[{**report, "conclusion": "Words of the vet (invented)."}])

        answer = adapter.post_note(note_posting(note(2, NoteState.SIGNED)))

        assert isinstance(answer, Rejected)
        assert "changed in the record" in answer.words
        assert fhir.held("DiagnosticReport")[0]["conclusion"]

    @pytest.mark.parametrize("do", ["cut", "half"])
    def test_a_note_cut_off_after_any_step_ends_once(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool, do: str
    ) -> None:
        fhir.behave(transactions=transactions)
        posting = note_posting(note(1))
        # In steps: the study, then again it and the report, then again it and the document.
        for passed in (0,) if transactions else (0, 1, 1):
            fhir.control(faults=[{"do": "pass"}] * passed + [{"do": do}])
            with pytest.raises(RecordUnavailable):
                adapter.post_note(posting)

        accepted(adapter.post_note(posting))

        for kind in ("ImagingStudy", "DiagnosticReport", "DocumentReference"):
            assert len(fhir.held(kind)) == 1


def test_an_update_asks_that_nobody_changed_the_report_meanwhile(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    accepted(adapter.post_note(note_posting(note(1))))
    fhir.fault("status", method="PUT", status=412, commit=False)

    with pytest.raises(RecordUnavailable):
        adapter.post_note(note_posting(note(2)))
    accepted(adapter.post_note(note_posting(note(2))))

    told = [one["headers"]["If-Match"] for one in fhir.requests("PUT")]
    assert told == ['W/"1"'] * 2


@pytest.mark.parametrize("status", [302, 401, 403, 404, 405])
def test_a_refusal_that_no_posting_can_pass_is_for_a_person_and_the_posting_waits(
    fhir: FhirServer, adapter: FhirAdapter, status: int
) -> None:
    fhir.fault("status", status=status, commit=False, headers={"Location": "/elsewhere"})

    with pytest.raises(RecordRefused):
        adapter.post_charge(charge_posting())

    accepted(adapter.post_charge(charge_posting()))


@pytest.mark.parametrize("status", [400, 422])
def test_a_refusal_of_one_posting_is_its_answer(
    fhir: FhirServer, adapter: FhirAdapter, status: int
) -> None:
    fhir.fault("status", status=status, commit=False)

    answers = [adapter.post_charge(charge_posting(entry(n))) for n in (1, 2)]

    assert isinstance(answers[0], Rejected)
    assert str(status) in answers[0].words
    accepted(answers[1])


def test_the_words_of_the_record_are_those_that_a_person_reads(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    answer = adapter.post_charge(charge_posting(currency="EUR\n"))

    assert isinstance(answer, Rejected)
    assert "no valid R4B ChargeItem" in answer.words


def test_an_update_is_not_led_to_another_host(fhir: FhirServer, adapter: FhirAdapter) -> None:
    other = "http://other.invalid/fhir/ChargeItem?_page=1"

    with pytest.raises(RecordRefused, match="within"):
        adapter._client.send("GET", other)

    assert fhir.requests("GET") == []


def test_a_server_that_cannot_create_on_condition_gets_nothing(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.behave(conditional=False)

    verdict = adapter.check()
    with pytest.raises(RecordRefused):
        adapter.post_charge(charge_posting())

    assert not verdict.ok
    assert "ChargeItem: expected conditionalCreate" in verdict.words
    assert fhir.held("ChargeItem") == []


def test_client_credentials_fetch_a_token_and_a_new_one_when_it_is_withdrawn(
    fhir: FhirServer, tmp_path: Path
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("invented\n")
    adapter = fhir.adapter(
        token_url=f"{fhir.url}/token", client_id="gomphosis", client_secret_file=str(secret)
    )
    fhir.behave(token="not-issued-yet")

    accepted(adapter.post_charge(charge_posting(entry(1))))
    fhir.behave(token="withdrawn")
    accepted(adapter.post_charge(charge_posting(entry(2))))

    assert len(fhir.held("ChargeItem")) == 2
    adapter.close()


def test_a_wrong_token_is_for_a_person_and_a_server_that_is_away_only_delays(
    fhir: FhirServer, adapter: FhirAdapter, tmp_path: Path
) -> None:
    fhir.behave(token="another")
    with pytest.raises(RecordRefused):
        adapter.post_charge(charge_posting())
    away = FhirServer(tmp_path).adapter()

    assert not away.check().ok
    with pytest.raises(RecordUnavailable):
        away.post_charge(charge_posting())
    away.close()


def test_codes_of_the_group_stand_for_ours_and_an_unmapped_one_goes_to_a_person(
    fhir: FhirServer, tmp_path: Path
) -> None:
    codes = tmp_path / "posted_codes.yaml"
    codes.write_text(
        "charge_system: https://record.invalid/codes\n"
        "charges: {INV-IO-FIRST: INV-8101}\n"
        "staff: {vet-1: INV-S-17}\n"
        "sites: {north: INV-N}\n"
    )
    adapter = fhir.adapter(codes=str(codes))

    accepted(adapter.post_charge(charge_posting()))
    accepted(adapter.post_note(note_posting(note(1, NoteState.SIGNED))))
    answer = adapter.post_charge(charge_posting(entry(2, code="INV-OTHER")))

    (item,) = fhir.held("ChargeItem")
    system = "https://record.invalid/codes"
    assert item["code"]["coding"][0] == {"system": system, "code": "INV-8101"}
    assert item["performingOrganization"]["identifier"]["value"] == "INV-N"
    (report,) = fhir.held("DiagnosticReport")
    assert report["resultsInterpreter"][0]["identifier"]["value"] == "INV-S-17"
    assert isinstance(answer, Rejected)
    assert "INV-OTHER has no code" in answer.words
    (line,) = adapter.read_charges(study_instance_uid=STUDY)
    assert line.code == "INV-IO-FIRST"
    assert adapter.unmapped(["INV-IO-FIRST", "INV-OTHER"], ["vet-1", "vet-2"], ["south"]) == [
        "charges.INV-OTHER",
        "staff.vet-2",
        "sites.south",
    ]
    adapter.close()


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("base_url", "ftp://record.invalid"),
        ("patient_system", "no uri"),
        ("timeout_s", "soon"),
        ("codes", "/nowhere.yaml"),
        ("token_file", "/nowhere"),
        ("token_url", "https://record.invalid/token"),
        ("colour", "blue"),
    ],
)
def test_a_wrong_option_is_named(option: str, value: str) -> None:
    options = {"base_url": "https://record.invalid", "patient_system": PATIENTS, option: value}

    with pytest.raises(RecordOptionError) as told:
        FhirAdapter(options)

    assert told.value.option == option


def test_the_settings_open_it_by_name(tmp_path: Path) -> None:
    options = {"base_url": "https://record.invalid", "patient_system": PATIENTS}

    record = open_record(
        Settings(data_dir=tmp_path, records=RecordsSettings(adapter="fhir", options=options))
    )

    assert isinstance(record, FhirAdapter)
    record.close()


def test_hostile_keys_reach_the_server_as_identifiers_that_fhir_allows(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    posting: ChargePosting = charge_posting(entry(1, posting_key="a|b,c$d\\e \x00~1~"))

    accepted(adapter.post_charge(posting))

    (item,) = fhir.held("ChargeItem")
    value = item["identifier"][0]["value"]
    assert value.isascii()
    assert value.isprintable()
    assert not set(value) & set("|,$\\ ")
    held = adapter.find_charge(posting)
    assert held is not None
    assert held.posting_key == posting.key
