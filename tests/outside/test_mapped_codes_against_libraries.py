"""The record's codes beside ours, as other libraries read what we post.

FHIR by the models of fhir.resources (R4B; of ChargeItem and DiagnosticReport as R4, from memory),
HL7 v2.5.1 by hl7apy's strict check and by python-hl7.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import hl7
import pytest
from fhir.resources.R4B.chargeitem import ChargeItem
from fhir.resources.R4B.diagnosticreport import DiagnosticReport
from hl7apy.v2_5_1.tables import TABLES

from schemas.conclusions import NoteShows, NoteState
from schemas.mappings.posted_codes import load_posted_codes
from schemas.teeth import Species
from services.records.adapters.fhir_charge import charge_item, digest_of
from services.records.adapters.fhir_names import Names
from services.records.adapters.fhir_note import note_resources
from services.records.adapters.hl7_messages import (
    Outgoing,
    charge_message,
    document_message,
    report_message,
)
from services.records.adapters.hl7_options import Hl7Options, read_options
from services.records.port import NotePosting
from services.records.suite.samples import charge_posting, note, note_posting
from tests.record_stand_ins.mllp_record import faults_of

NAMES = Names("https://gomphosis.invalid/fhir")
SUBJECT = {"reference": "Patient/p1"}
AT = datetime(2026, 3, 2, 10, 0, 1, tzinfo=UTC)
SHOWN = charge_posting(
    species=Species.DOG, plan="dog-full-mouth", views=("mand-molars-l",), teeth=(105, 108, 309)
)
"""By the invented example 105 has no code of the record, and 309 goes out as it is."""
EXAMPLE = Path(__file__).parents[2] / "schemas/mappings/posted_codes_invented.yaml"


def test_teeth_and_department_stand_where_the_standard_has_a_place_for_them() -> None:
    for field, words in (("bodysite", "anatomical location"), ("costCenter", "financial cost")):
        assert words in str(ChargeItem.model_fields[field].description).lower()

    item = charge_item(SHOWN, NAMES, load_posted_codes(), "INV-8101", SUBJECT, [], AT)
    read = ChargeItem.model_validate_json(json.dumps(item))

    upper, lower = read.bodysite
    assert [(one.system, one.code, one.display) for one in upper.coding] == [
        ("https://record.invalid/teeth", "INV-T-108", "Upper right carnassial (invented wording)"),
        (f"{NAMES.namespace}/teeth", "108", "right maxillary fourth premolar"),
    ]
    assert [one.code for one in lower.coding] == ["309", "309"]
    assert read.costCenter.identifier.value == "INV-DENT-N"


def test_species_plan_and_views_are_extensions_that_the_model_takes() -> None:
    item = charge_item(SHOWN, NAMES, load_posted_codes(), "INV-8101", SUBJECT, [], AT)
    read = ChargeItem.model_validate_json(json.dumps(item))

    told = {
        one.url.rsplit("/", 1)[1]: [code.code for code in one.valueCodeableConcept.coding]
        for one in read.extension
        if one.valueCodeableConcept is not None
    }
    assert told == {
        "species": ["448771007", "dog"],
        "plan": ["INV-P-1", "dog-full-mouth"],
        "view": ["INV-V-7", "mand-molars-l"],
    }


def test_a_code_that_is_mapped_anew_makes_no_other_charge_of_it() -> None:
    plain = charge_item(charge_posting(), NAMES, load_posted_codes(), "INV-8101", SUBJECT, [], AT)
    shown = charge_item(SHOWN, NAMES, load_posted_codes(), "INV-8101", SUBJECT, [], AT)

    assert "bodysite" not in plain
    assert digest_of(plain) == digest_of(shown)


def test_a_report_names_the_sites_organisation_and_department() -> None:
    posting = note_posting(note(1, NoteState.SIGNED))
    made = note_resources(posting, NAMES, load_posted_codes(), SUBJECT, None)

    read = DiagnosticReport.model_validate_json(json.dumps(made.report))

    assert [one.identifier.value for one in read.performer] == ["INV-N", "INV-DENT-N"]


def test_hl7_messages_with_codes_pass_the_strict_check_and_read_back() -> None:
    options = read_options({"host": "record.invalid", "port": "2575", "codes": str(EXAMPLE)})
    body = charge_message(SHOWN, "INV-8101", options).written(options, AT).decode()
    assert faults_of(body) == [], body
    read = hl7.parse(body)

    assert [str(read["PID"][0][35][0][place]) for place in (0, 3)] == ["448771007", "dog"]
    ft1 = read["FT1"][0]
    assert [str(ft1[13][0][place]) for place in (0, 1)] == [
        "INV-DENT-N",
        "Dentistry North (invented)",
    ]
    assert str(ft1[25][0][0]) == "INV-P-1"
    shown = [
        (str(obx[3][0][0]), str(obx[5][0][0]), str(obx[5][0][3]), read.unescape(str(obx[5][0][4])))
        for obx in read["OBX"]
        if str(obx[2]) == "CE"
    ]
    assert shown == [
        ("view", "INV-V-7", "mand-molars-l", "mand-molars-l"),
        ("tooth", "INV-T-108", "108", "right maxillary fourth premolar"),
        ("tooth", "309", "309", "left mandibular first molar"),
    ]
    assert "L" in TABLES["HL70396"][1]


NOTED = note_posting(
    note(
        1,
        NoteState.SIGNED,
        shows=NoteShows(
            species=Species.DOG,
            plan="dog-full-mouth",
            views=("mand-molars-l",),
            teeth=(105, 108, 309),
        ),
    )
)


def test_what_a_note_shows_are_extensions_of_its_report_that_the_model_takes() -> None:
    made = note_resources(NOTED, NAMES, load_posted_codes(), SUBJECT, None)
    read = DiagnosticReport.model_validate_json(json.dumps(made.report))

    told = [
        (one.url.rsplit("/", 1)[1], [code.code for code in one.valueCodeableConcept.coding])
        for one in read.extension
        if one.valueCodeableConcept is not None
    ]
    assert told == [
        ("species", ["448771007", "dog"]),
        ("plan", ["INV-P-1", "dog-full-mouth"]),
        ("view", ["INV-V-7", "mand-molars-l"]),
        ("tooth", ["INV-T-108", "108"]),
        ("tooth", ["309", "309"]),
    ]


@pytest.mark.parametrize("write", [report_message, document_message])
def test_hl7_messages_of_a_note_carry_its_codes_and_pass_the_strict_check(
    write: Callable[[NotePosting, Hl7Options], Outgoing],
) -> None:
    options = read_options({"host": "record.invalid", "port": "2575", "codes": str(EXAMPLE)})
    body = write(NOTED, options).written(options, AT).decode()
    assert faults_of(body) == [], body
    read = hl7.parse(body)

    assert [str(read["PID"][0][35][0][place]) for place in (0, 3)] == ["448771007", "dog"]
    shown = [
        (str(obx[3][0][0]), str(obx[5][0][0]), str(obx[5][0][3]))
        for obx in read["OBX"]
        if str(obx[2]) == "CE"
    ]
    plan = [("plan", "INV-P-1", "dog-full-mouth")]
    assert shown == (plan if write is document_message else []) + [
        ("view", "INV-V-7", "mand-molars-l"),
        ("tooth", "INV-T-108", "108"),
        ("tooth", "309", "309"),
    ]
    if write is report_message:
        assert str(read["OBR"][0][44][0][0]) == "INV-P-1"
    numbers = [int(str(obx[1])) for obx in read["OBX"]]
    assert numbers == list(range(1, len(numbers) + 1))


def test_the_department_of_a_signed_document_is_the_point_of_care() -> None:
    options = read_options({"host": "record.invalid", "port": "2575", "codes": str(EXAMPLE)})
    posting = note_posting(note(1, NoteState.SIGNED))
    body = document_message(posting, options).written(options, AT).decode()

    assert faults_of(body) == [], body
    assert str(hl7.parse(body)["PV1"][0][3]) == "INV-DENT-N"


def test_a_codes_file_that_is_mended_between_two_tries_makes_no_other_message() -> None:
    plain = read_options({"host": "record.invalid", "port": "2575"})
    mapped = read_options({"host": "record.invalid", "port": "2575", "codes": str(EXAMPLE)})

    ids = {charge_message(SHOWN, "INV-8101", one).control_id() for one in (plain, mapped)}

    assert len(ids) == 1
