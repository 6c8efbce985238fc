"""A FHIR R4 resource read into facts, by the group's table. Pure: it looks up through a port."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Protocol

from schemas.envelope import Payload
from schemas.facts import OrderCancelled, PatientDescribed, PatientMerged
from schemas.group import Site
from schemas.mappings.record_codes import RecordCodes
from services.intake.fhir_json import FhirRefused, Resource, last_updated, part, parts, text
from services.intake.fhir_order import (
    Around,
    check_ours,
    kind_of_order,
    read_cancelled,
    read_placed,
)
from services.intake.fhir_patient import is_weight, patient_identifier, read_patient

READ_TYPES: Final = ("Patient", "Observation", "ServiceRequest")
"""Types that tell something by themselves; an Encounter only with the order that names it."""


class Look(Protocol):
    """Where what a resource refers to is found."""

    def read(self, reference: str) -> Resource | None:
        """Find a resource by its reference (``Patient/1``, or an absolute address)."""

    def weights(self, patient: Resource) -> Sequence[Resource]:
        """Find the newest Observations of a patient's weight."""


@dataclass(frozen=True, slots=True)
class ReadFact:
    """One fact and when it was so, by the record's clock."""

    fact: Payload
    occurred_at: datetime
    source_clock: str


def read_facts(resource: Resource, codes: RecordCodes, site: Site, look: Look) -> list[ReadFact]:
    """Read what a resource tells: none, one or several facts.

    Raises FhirRefused or NotMapped with the FHIR path, NotOurs, and what ``look`` raises.
    """
    kind = resource.get("resourceType")
    if kind == "ServiceRequest":
        return _read_order(resource, codes, site, look)
    if kind == "Patient":
        return _read_patient(resource, codes, look)
    if kind == "Observation" and is_weight(resource, codes):
        subject = part(resource.get("subject"), "Observation.subject")
        patient = _referred(resource, subject, "Observation.subject", look)
        if patient is None:
            raise FhirRefused("Observation.subject", subject.get("reference", ""), "a Patient")
        return _read_patient(patient, codes, look)
    return []


def _read_order(order: Resource, codes: RecordCodes, site: Site, look: Look) -> list[ReadFact]:
    kind = kind_of_order(order)
    if kind is None:
        return []
    if kind is OrderCancelled:
        return [_fact(read_cancelled(order, codes), order)]
    # Before anything is looked up: most orders of a record are none of ours.
    check_ours(order, codes)
    subject = part(order.get("subject"), "ServiceRequest.subject")
    visit = part(order.get("encounter"), "ServiceRequest.encounter")
    patient = _referred(order, subject, "ServiceRequest.subject", look)
    around = Around(
        patient=patient,
        encounter=_referred(order, visit, "ServiceRequest.encounter", look),
        observations=_weights_for(order, subject, patient, codes, look),
    )
    placed = read_placed(order, around, codes, site)
    at = around.changed_at(order)
    return [ReadFact(placed, at, at.isoformat())]


def _weights_for(
    order: Resource,
    subject: Resource,
    patient: Resource | None,
    codes: RecordCodes,
    look: Look,
) -> list[Resource]:
    """Find weights of the patient, and those that the order itself brings or names."""
    path = "ServiceRequest.supportingInfo"
    named = [
        found
        for one in parts(order.get("supportingInfo"), path)
        if (found := _referred(order, one, path, look)) is not None
        and found.get("resourceType") == "Observation"
        and is_weight(found, codes)
    ]
    contained = str(subject.get("reference", "")).startswith("#")
    return named if patient is None or contained else [*named, *look.weights(patient)]


def _read_patient(patient: Resource, codes: RecordCodes, look: Look) -> list[ReadFact]:
    merges: list[ReadFact] = []
    retired = False
    for place, link in enumerate(parts(patient.get("link"), "Patient.link")):
        path = f"Patient.link[{place}]"
        kind = text(link.get("type"), f"{path}.type")
        if kind not in {"replaced-by", "replaces"}:
            continue
        other_reference = part(link.get("other"), f"{path}.other")
        other = _referred(patient, other_reference, f"{path}.other", look)
        if other is None:
            raise FhirRefused(f"{path}.other", other_reference.get("reference", ""), "a Patient")
        kept, gone = (other, patient) if kind == "replaced-by" else (patient, other)
        retired = retired or kind == "replaced-by"
        kept_id, gone_id = patient_identifier(kept, codes), patient_identifier(gone, codes)
        if kept_id == gone_id:
            raise FhirRefused(f"{path}.other", kept_id, "a Patient of another identifier")
        merged = PatientMerged(kept_patient_id=kept_id, retired_patient_id=gone_id)
        merges.append(_fact(merged, patient))
    if retired:
        return merges
    weights = look.weights(patient)
    described = PatientDescribed(patient=read_patient(patient, weights, codes))
    return [*merges, _fact(described, patient, weights)]


def _fact(fact: Payload, resource: Resource, others: Sequence[Resource] = ()) -> ReadFact:
    at = last_updated(resource)
    if at is None:
        path = f"{resource.get('resourceType')}.meta.lastUpdated"
        raise FhirRefused(path, "", "when this version was made")
    at = max([at, *(told for one in others if (told := last_updated(one)) is not None)])
    return ReadFact(fact, at, at.isoformat())


def _referred(holder: Resource, reference: Resource, path: str, look: Look) -> Resource | None:
    target = text(reference.get("reference"), f"{path}.reference")
    if not target:
        return None
    if target.startswith("#"):
        contained = parts(holder.get("contained"), f"{holder.get('resourceType')}.contained")
        return next((one for one in contained if one.get("id") == target[1:]), None)
    return look.read(target)
