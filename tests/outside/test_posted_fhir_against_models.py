"""What we post in FHIR, held against the models of fhir.resources (R4B, 4.3.0).

The library has no R4 (4.0.1). Of ChargeItem, ImagingStudy, DiagnosticReport and DocumentReference
the two are alike in all that is written here (from memory: R4B is about new resources of evidence
and medication). R5 is not, as shown below, so that nobody swaps the module unseen. The texts of
the standard that the mapping rests on are read from the library itself.
"""

from __future__ import annotations

import hashlib
import json
from base64 import b64decode, b64encode
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from fhir.resources.chargeitem import ChargeItem as R5ChargeItem
from fhir.resources.diagnosticreport import DiagnosticReport as R5DiagnosticReport
from fhir.resources.R4B.attachment import Attachment
from fhir.resources.R4B.capabilitystatement import CapabilityStatement
from fhir.resources.R4B.chargeitem import ChargeItem
from fhir.resources.R4B.diagnosticreport import DiagnosticReport
from fhir.resources.R4B.documentreference import DocumentReference, DocumentReferenceRelatesTo
from fhir.resources.R4B.imagingstudy import ImagingStudy
from pydantic import ValidationError
from pydicom.uid import (
    ComputedRadiographyImageStorage,
    DigitalIntraOralXRayImageStorageForPresentation,
)

from schemas.conclusions import NoteImage, NoteShows, NoteState
from schemas.mappings.posted_codes import PostedCodes, load_posted_codes
from services.records.adapters.fhir_capability import read_capability
from services.records.adapters.fhir_charge import charge_item, correction_item, held_line
from services.records.adapters.fhir_documents import HeldDocuments
from services.records.adapters.fhir_names import Names
from services.records.adapters.fhir_note import DOC_STATUS, link, note_resources
from services.records.port import NoteStatus
from services.records.suite.samples import (
    charge_posting,
    correction_posting,
    credit,
    entry,
    note,
    note_posting,
)
from tests.record_stand_ins.fhir_record import Record

NAMES = Names("https://gomphosis.invalid/fhir")
CODES = PostedCodes.model_validate(PostedCodes.EXAMPLES[0])
SUBJECT = {
    "reference": "Patient/p1",
    "identifier": {"system": "https://record.invalid/patient-id", "value": "P-1001"},
}
NOW = datetime(2026, 3, 2, 9, 0, 0, 123456, tzinfo=UTC)


def charge(line: Any = None, **changes: Any) -> dict[str, Any]:
    posting = charge_posting(line or entry(), **changes)
    beside = [{"reference": "ChargeItem/c1"}]
    return charge_item(posting, NAMES, CODES, "INV-8101", SUBJECT, beside, NOW)


def made(state: NoteState) -> Any:
    order = {"reference": "ServiceRequest/o1"}
    found = note_resources(note_posting(note(2, state)), NAMES, CODES, SUBJECT, order)
    link(found, "ImagingStudy/i1", "DiagnosticReport/r1")
    return found


@pytest.mark.parametrize(
    "item",
    [
        charge(),
        charge(entry(1, amount=Decimal("9999999999.99"), quantity=1000)),
        charge(credit(2, entry(1).posting_key)),
        charge(moved_to=date(2026, 4, 1), account=None),
        correction_item(correction_posting("L-1"), NAMES, CODES, "X", SUBJECT, [], NOW),
    ],
    ids=["charge", "large", "credit", "moved", "correction"],
)
def test_every_charge_item_is_a_valid_one_and_reads_back_through_the_model(
    item: dict[str, Any],
) -> None:
    model = ChargeItem.model_validate_json(json.dumps(item))

    back = json.loads(model.model_dump_json(), parse_float=Decimal)

    assert held_line(back, NAMES) == held_line(item, NAMES)
    assert held_line(back, NAMES) is not None


@pytest.mark.parametrize("state", [NoteState.DRAFT, NoteState.SIGNED, NoteState.ADDENDED])
def test_every_resource_of_a_note_is_a_valid_one(state: NoteState) -> None:
    found = made(state)

    ImagingStudy.model_validate_json(json.dumps(found.study))
    DiagnosticReport.model_validate_json(json.dumps(found.report))
    DocumentReference.model_validate_json(json.dumps(found.document))


def test_an_imaging_study_lists_series_and_instances_as_the_models_want_them() -> None:
    one, two, other = (
        NoteImage(
            sop_instance_uid=f"2.25.{number}",
            series_instance_uid=f"2.25.{series}",
            sop_class_uid=str(kind),
            acquired_at=NOW,
            title="left mandibular molars",
        )
        for number, series, kind in (
            (1, 10, DigitalIntraOralXRayImageStorageForPresentation),
            (2, 10, DigitalIntraOralXRayImageStorageForPresentation),
            (3, 11, ComputedRadiographyImageStorage),
        )
    )
    unknown = NoteImage(sop_instance_uid="2.25.4", acquired_at=NOW)
    shows = NoteShows(plan="dog-full-mouth", images=(one, two, other, unknown))
    posting = note_posting(note(1, NoteState.SIGNED, shows=shows))
    made = note_resources(posting, NAMES, load_posted_codes(), SUBJECT, None, "Endpoint/e1")

    read = ImagingStudy.model_validate_json(json.dumps(made.study))

    assert (read.numberOfSeries, read.numberOfInstances) == (2, 3), "the unknown one is left out"
    assert [(one.uid, one.modality.code) for one in read.series] == [
        ("2.25.10", "IO"),
        ("2.25.11", "CR"),
    ]
    assert [one.code for one in read.modality] == ["CR", "IO"]
    instance = read.series[0].instance[0]
    assert (instance.uid, instance.title) == ("2.25.1", "left mandibular molars")
    assert instance.sopClass.code == "urn:oid:1.2.840.10008.5.1.4.1.1.1.3"
    assert read.endpoint[0].reference == "Endpoint/e1"
    assert [one.code for one in read.procedureCode[0].coding] == ["INV-P-1", "dog-full-mouth"]
    assert read.started == NOW
    spoilt = json.loads(json.dumps(made.study))
    del spoilt["series"][0]["modality"]
    with pytest.raises(ValidationError):
        ImagingStudy.model_validate_json(json.dumps(spoilt))


def test_a_document_replaces_another_in_the_words_of_the_standard() -> None:
    older, newer = made(NoteState.SIGNED).document, made(NoteState.ADDENDED).document
    older["id"] = "d1"
    held = HeldDocuments([older], NAMES)

    held.relate(newer, 3)
    (marked,) = held.outdated(3)

    told = DocumentReference.model_validate_json(json.dumps(newer))
    DocumentReference.model_validate_json(json.dumps(marked))
    (relation,) = told.relatesTo
    assert (relation.code, relation.target.reference) == ("replaces", "DocumentReference/d1")
    known = DocumentReferenceRelatesTo.model_fields["code"].json_schema_extra
    states = DocumentReference.model_fields["status"].json_schema_extra
    assert isinstance(known, dict)
    assert isinstance(states, dict)
    assert relation.code in known["enum_values"]
    assert marked["status"] in states["enum_values"]
    assert newer["status"] in states["enum_values"]


def test_attachments_carry_the_hash_that_the_standard_asks_for() -> None:
    told = Attachment.model_fields["hash"]
    assert "SHA-1" in str(told.description)
    assert "base64" in str(told.description)

    for form in made(NoteState.SIGNED).report["presentedForm"]:
        body = b64decode(form["data"])
        digest = hashlib.sha1(body, usedforsecurity=False).digest()
        assert form["hash"] == b64encode(digest).decode()
        assert form["size"] == len(body)


def test_the_price_of_an_item_is_its_total_as_the_standard_says() -> None:
    told = ChargeItem.model_fields["priceOverride"].description
    assert str(told).startswith("Total price of the charge")

    assert charge(entry(1, quantity=3, amount=Decimal("114.30")))["priceOverride"]["value"] == 114.3


def test_every_state_of_a_note_is_one_that_the_standard_knows() -> None:
    documents = DocumentReference.model_fields["docStatus"].json_schema_extra
    reports = DiagnosticReport.model_fields["status"].json_schema_extra
    assert isinstance(documents, dict)
    assert isinstance(reports, dict)

    known = {str(one) for one in documents["enum_values"]}
    assert set(DOC_STATUS.values()) <= known
    # The library's list of report states is cut short ('final +'): 'appended' stands in HL7's
    # value set diagnostic-report-status 4.0.1 (its last rows from memory).
    assert {"preliminary", "final"} <= {str(one) for one in reports["enum_values"]}
    assert NoteStatus.APPENDED.value == "appended"


def test_the_stand_in_says_what_it_can_in_a_valid_statement(tmp_path: Any) -> None:
    statement = Record(tmp_path).capability()

    CapabilityStatement.model_validate_json(json.dumps(statement))

    found = read_capability(statement, orders=True)
    assert (found.wanting, found.transactions) == ((), False)


@pytest.mark.parametrize(
    ("without", "words"),
    [
        ("fhirVersion", "fhirVersion not told"),
        ("format", "format: expected JSON"),
        ("rest", "rest: expected one of mode server"),
    ],
)
def test_what_a_server_does_not_tell_nobody_has_promised(
    tmp_path: Any, without: str, words: str
) -> None:
    statement = Record(tmp_path).capability()
    del statement[without]

    assert any(words in one for one in read_capability(statement, orders=False).wanting)


def test_r5_is_another_thing() -> None:
    with pytest.raises(ValidationError):
        R5ChargeItem.model_validate_json(json.dumps(charge()))
    with pytest.raises(ValidationError):
        R5DiagnosticReport.model_validate_json(json.dumps(made(NoteState.SIGNED).report))
