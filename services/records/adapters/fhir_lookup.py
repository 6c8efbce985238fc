"""Patients and orders of a FHIR server, by their identifiers."""

from schemas.errors import InvalidInput
from services.records.adapters.fhir_client import FhirRecordClient
from services.records.adapters.fhir_create import FhirRefusal, find, find_one
from services.records.adapters.fhir_names import (
    Resource,
    has_identifier,
    identifier_of,
    reference_of,
)
from services.records.adapters.fhir_options import FhirOptions


class Lookup:
    """Looks up by the identifier systems of the options. Raises what the client raises."""

    def __init__(self, client: FhirRecordClient, options: FhirOptions) -> None:
        self._client = client
        self._options = options

    def subject(self, patient_id: str) -> Resource:
        """Look the patient up: exactly one, and none that was merged into another."""
        system = self._options.patient_system
        found = find_one(self._client, "Patient", system, patient_id)
        if found is None:
            raise FhirRefusal(f"the record knows no patient {patient_id} under {system}")
        return self.subject_of(found, patient_id)

    def subject_of(self, found: Resource, patient_id: str) -> Resource:
        links = found.get("link")
        for link in links if isinstance(links, list) else []:
            if isinstance(link, dict) and link.get("type") == "replaced-by":
                raise FhirRefusal(f"patient {patient_id} was merged into another in the record")
        identifier = {"system": self._options.patient_system, "value": patient_id}
        return {"reference": reference_of(found), "identifier": identifier}

    def order(self, accession_number: str | None) -> Resource | None:
        """Look the order up; one that the record does not know is named by its number alone."""
        system = self._options.order_system
        if not system or not accession_number:
            return None
        found = find(self._client, "ServiceRequest", system, accession_number)
        if len(found) == 1:
            return {"reference": reference_of(found[0])}
        identifier = {"system": system, "value": accession_number}
        return {"type": "ServiceRequest", "identifier": identifier}

    def patient_id(self, subject: Resource, known: dict[str, str]) -> str:
        """Give our id of the patient whom an item is for."""
        system = self._options.patient_system
        told = subject.get("identifier")
        if isinstance(told, dict) and has_identifier({"identifier": told}, system, told["value"]):
            return str(told["value"])
        reference = str(subject.get("reference", ""))
        if reference not in known:
            reply = self._client.read(reference) if reference else None
            found = identifier_of(reply.content, system) if reply else None
            if found is None:
                expected = f"a patient with an identifier of {system}"
                raise InvalidInput("ChargeItem.subject", reference, expected)
            known[reference] = found
        return known[reference]
