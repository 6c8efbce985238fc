"""What intake adds to ``gomphosis check``: the devices that listen for it, and a FHIR server."""

from collections.abc import Iterable

from schemas.errors import GomphosisError
from schemas.group import Group
from schemas.mappings.record_codes import load_record_codes
from services.intake.fhir_capability import told_of, wanting
from services.intake.fhir_client import FhirClient
from services.intake.peer_checks import check_peers
from services.intake.record_doors import record_of
from services.runtime.checks import Verdict
from services.runtime.settings import Settings


def check_intake(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Verify (C-ECHO) with each device that listens for our reports, with the end of its
    certificate; ask the record's FHIR server what it can do, and say what we would miss."""
    yield from check_peers(settings.intake, group)
    if settings.intake.fhir.base_url:
        try:
            verdict = _check_fhir(settings, group)
        except GomphosisError as error:
            verdict = Verdict("FHIR server", False, str(error))
        yield verdict


def _check_fhir(settings: Settings, group: Group) -> Verdict:
    fhir = settings.intake.fhir
    record_of(fhir, group)
    codes = load_record_codes(settings.group_dir)
    client = FhirClient(fhir)
    try:
        statement = client.read("metadata")
    finally:
        client.close()
    address = f"{fhir.base_url.rstrip('/')}/metadata"
    if statement is None or statement.get("resourceType") != "CapabilityStatement":
        found = "nothing" if statement is None else statement.get("resourceType")
        words = f"expected a CapabilityStatement at {address}, got {found}"
        return Verdict("FHIR server", False, words)
    lacks = list(wanting(statement, weights=bool(codes.weight_codes)))
    if lacks:
        words = f"{'; '.join(lacks)} (by {address}; what it can but does not list, have it list)"
        return Verdict("FHIR server", False, words)
    version = statement["fhirVersion"]
    return Verdict("FHIR server", True, f"{told_of(statement)}, FHIR {version}, all that we ask")
