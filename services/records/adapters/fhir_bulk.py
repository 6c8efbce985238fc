"""Several charges in one exchange, where the server takes batch Bundles.

FHIR R4, hl7.org/fhir/R4/http.html#transaction: in a batch every entry stands or falls alone, in
any order, and the answers come in the order of the entries. What is not clearly made new is left
to the single posting, which looks at what is held and judges it.
"""

from services.records.adapters.fhir_client import FhirRecordClient
from services.records.adapters.fhir_create import reference_in
from services.records.adapters.fhir_names import (
    Names,
    Resource,
    has_identifier,
    identifier_of,
    key_of,
    query,
    reference_of,
)
from services.records.port import Accepted, Answer


def find_patients(
    client: FhirRecordClient, system: str, patient_ids: list[str]
) -> dict[str, Resource]:
    """Look up several patients at once; those that are not exactly one are left out."""
    wanted = list(dict.fromkeys(patient_ids))
    asked: list[Resource] = [
        {"request": {"method": "GET", "url": f"Patient?{query(system, one)}"}} for one in wanted
    ]
    found: dict[str, Resource] = {}
    for patient_id, answer in zip(wanted, _batch(client, asked), strict=False):
        resource = answer.get("resource")
        entries = resource.get("entry") if isinstance(resource, dict) else None
        told = [one.get("resource") for one in entries or [] if isinstance(one, dict)]
        own = {
            reference_of(one): one
            for one in told
            if isinstance(one, dict)
            and one.get("resourceType") == "Patient"
            and has_identifier(one, system, patient_id)
        }
        if len(own) == 1:
            (found[patient_id],) = own.values()
    return found


def create_charges(
    client: FhirRecordClient, names: Names, items: list[Resource]
) -> dict[str, Answer]:
    """Create ChargeItems on condition; give those that were made new, by posting key."""
    asked: list[Resource] = []
    keys: list[str] = []
    for item in items:
        value = identifier_of(item, names.posting_key) or ""
        condition = query(names.posting_key, value)
        request = {"method": "POST", "url": "ChargeItem", "ifNoneExist": condition}
        asked.append({"resource": item, "request": request})
        keys.append(key_of(value))
    made: dict[str, Answer] = {}
    for key, answer in zip(keys, _batch(client, asked), strict=False):
        response = answer.get("response")
        told = response if isinstance(response, dict) else {}
        reference = reference_in(str(told.get("location", "")), "ChargeItem")
        if str(told.get("status", "")).startswith("201") and reference:
            made[key] = Accepted(reference)
    return made


def _batch(client: FhirRecordClient, entries: list[Resource]) -> list[Resource]:
    """Send a batch; give its answers in order, or none where they do not match the entries."""
    reply = client.send("POST", "", {"resourceType": "Bundle", "type": "batch", "entry": entries})
    answers = reply.content.get("entry") if reply.status == 200 else None
    if not isinstance(answers, list) or len(answers) != len(entries):
        return []
    return [one if isinstance(one, dict) else {} for one in answers]
