"""Which FHIR server is spoken to, as whom, and by which options."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.conclusions import NoteState
from services.records.adapters.choose import open_record
from services.records.adapters.fhir import FhirAdapter
from services.records.port import (
    RecordBarred,
    RecordOptionError,
    RecordRefused,
    RecordUnavailable,
    Rejected,
)
from services.records.suite import accepted
from services.records.suite.samples import STUDY, charge_posting, entry, note, note_posting
from services.runtime.settings import RecordsSettings, Settings
from tests.record_stand_ins.fhir_server import PATIENTS, FhirServer


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
    with pytest.raises(RecordBarred, match="check the token"):
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
