"""Where references of a FHIR resource are found: beside it in its Bundle, or at the server."""

from collections.abc import Iterable, Sequence
from typing import Final

from schemas.mappings.record_codes import RecordCodes
from services.intake.fhir_client import FhirClient
from services.intake.fhir_json import FhirRefused, Resource, name_of, parts
from services.intake.fhir_patient import is_weight

_NEWEST: Final = "10"


class BundleLook:
    """What came along. A weight counts for a patient by its subject reference."""

    def __init__(self, resources: Iterable[Resource], codes: RecordCodes) -> None:
        self._by_name = {name_of(resource): resource for resource in resources}
        self._codes = codes

    @classmethod
    def of_bundle(cls, bundle: Resource, codes: RecordCodes) -> "BundleLook":
        """Look among the entries, also by their fullUrl (R4 section 3.2.1.4; from memory)."""
        look = cls((), codes)
        for entry in parts(bundle.get("entry"), "Bundle.entry"):
            resource, full_url = entry.get("resource"), entry.get("fullUrl")
            if isinstance(resource, dict):
                look._by_name[name_of(resource)] = resource
                if isinstance(full_url, str):
                    look._by_name[full_url] = resource
        return look

    def read(self, reference: str) -> Resource | None:
        return self._by_name.get(_without_version(reference))

    def resources(self) -> list[Resource]:
        """List what came along; one that stands under its name and its fullUrl counts once."""
        return list({id(one): one for one in self._by_name.values()}.values())

    def weights(self, patient: Resource) -> Sequence[Resource]:
        return [
            one
            for one in self.resources()
            if one.get("resourceType") == "Observation"
            and is_weight(one, self._codes)
            and self.read(str(_subject(one))) is patient
        ]


class ServerLook:
    """What came along, then what the server has. One look serves one round of reading."""

    def __init__(self, client: FhirClient, codes: RecordCodes, near: BundleLook) -> None:
        self._client = client
        self._codes = codes
        self._near = near
        self._read: dict[str, Resource | None] = {}
        self._weights: dict[str, Sequence[Resource]] = {}

    def read(self, reference: str) -> Resource | None:
        found = self._near.read(reference)
        if found is not None:
            return found
        if reference.startswith("urn:"):
            return None
        name = _without_version(reference)
        if name not in self._read:
            self._read[name] = self._client.read(name)
        return self._read[name]

    def weights(self, patient: Resource) -> Sequence[Resource]:
        """Ask for the newest weights. All of them count as read, also those that do not count as
        weights any more, so that an entry in error moves the state's moment too."""
        near = self._near.weights(patient)
        number = patient.get("id")
        if not self._codes.weight_codes or not isinstance(number, str) or not number:
            return near
        if number not in self._weights:
            parameters = {
                "patient": number,
                "code": ",".join(self._codes.weight_codes),
                "_sort": "-date",
                "_count": _NEWEST,
            }
            page: list[Resource] = next(self._client.pages("Observation", parameters), [])
            self._weights[number] = [
                one
                for one in page
                if one.get("resourceType") == "Observation" and is_weight(one, self._codes)
            ]
        names = {name_of(one) for one in self._weights[number]}
        return [*self._weights[number], *(one for one in near if name_of(one) not in names)]


def _subject(observation: Resource) -> object:
    subject = observation.get("subject")
    if not isinstance(subject, dict):
        raise FhirRefused("Observation.subject", subject, "a reference to a Patient")
    return subject.get("reference")


def _without_version(reference: str) -> str:
    return reference.partition("/_history/")[0]
