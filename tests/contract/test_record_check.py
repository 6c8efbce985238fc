"""``gomphosis check`` of a FHIR record: can it take what we post, and has it a code for all."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from schemas.group import Group, Site
from schemas.people import Person, Role
from services.records.checks import check_record
from services.runtime.checks import Verdict
from services.runtime.settings import RecordsSettings, Settings
from tests.record_stand_ins.fhir_server import PATIENTS, FhirServer


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FhirServer]:
    made = FhirServer(tmp_path_factory.mktemp("fhir-record"))
    made.start()
    yield made
    made.kill()


def group() -> Group:
    """Two invented sites with the packaged invented tariff and one vet each."""
    first = Site.model_validate_json(json.dumps(Site.EXAMPLES[0]))
    vet = Person(name="vet-9", title="Invented Vet", roles=(Role.VET,))
    south = first.model_copy(update={"name": "south", "called_ae_title": "SOUTH", "people": (vet,)})
    return Group(name="example-group", title="Invented Group", sites=(first, south))


def verdicts(folder: Path, base_url: str, codes: str = "") -> list[Verdict]:
    options = {"base_url": base_url, "patient_system": PATIENTS}
    if codes:
        file = folder / "posted_codes.yaml"
        file.write_text(codes)
        options["codes"] = str(file)
    settings = Settings(
        data_dir=folder,
        group_dir=folder,
        records=RecordsSettings(adapter="fhir", options=options),
    )
    return list(check_record(settings, group()))


def test_what_has_no_code_of_the_record_is_named_before_go_live(
    server: FhirServer, tmp_path: Path
) -> None:
    codes = "charges: {INV-DOG-FIRST: INV-8101}\nstaff: {vet-1: S-1}\nsites: {north: N}\n"

    reached, unmapped = verdicts(tmp_path, f"{server.url}/fhir", codes)

    assert reached.good, reached.words
    assert "Invented stand-in record" in reached.words
    assert not unmapped.good
    for name in ("charges.INV-DOG-NEXT", "staff.vet-9", "sites.south"):
        assert name in unmapped.words
    for name in ("charges.INV-DOG-FIRST,", "staff.vet-1", "sites.north"):
        assert name not in unmapped.words


def test_a_record_that_takes_our_codes_still_has_to_tell_two_sites_apart(
    server: FhirServer, tmp_path: Path
) -> None:
    (reached, unmapped) = verdicts(tmp_path, f"{server.url}/fhir")

    assert reached.good
    assert "sites.north, sites.south" in unmapped.words


def test_a_record_that_cannot_do_what_we_use_is_told_so(server: FhirServer, tmp_path: Path) -> None:
    server.behave(conditional=False)

    verdict = verdicts(tmp_path, f"{server.url}/fhir")[0]

    assert not verdict.good
    assert "DocumentReference: expected conditionalCreate" in verdict.words
    server.control(reset=True)


def test_another_address_is_told_in_plain_words(server: FhirServer, tmp_path: Path) -> None:
    verdict = verdicts(tmp_path, f"{server.url}/fhir/elsewhere")[0]

    assert not verdict.good
    assert "expected a CapabilityStatement" in verdict.words
