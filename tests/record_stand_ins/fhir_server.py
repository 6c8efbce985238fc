"""The stand-in FHIR record, started, told and killed by a test."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from services.records.adapters.fhir import FhirAdapter
from tests.servers.stand_in import HttpStandIn

PATIENTS = "https://record.invalid/patient-id"
ORDERS = "https://record.invalid/order-id"


class FhirServer(HttpStandIn):
    """One process of ``tests.record_stand_ins.fhir_record_process``."""

    def __init__(self, folder: Path) -> None:
        super().__init__("tests.record_stand_ins.fhir_record_process", folder)

    def behave(self, **settings: Any) -> None:
        self.control(set=settings)

    def fault(self, do: str, **more: Any) -> None:
        self.control(faults=[{"do": do, **more}])

    def held(self, kind: str) -> list[dict[str, Any]]:
        return [one for one in self.told()["held"] if one["resourceType"] == kind]

    def requests(self, method: str, path: str = "") -> list[dict[str, Any]]:
        told = self.told()["requests"]
        return [one for one in told if one.get("method") == method and path in one["path"]]

    def adapter(self, **options: str) -> FhirAdapter:
        told = {"base_url": f"{self.url}/fhir", "patient_system": PATIENTS, "timeout_s": "10"}
        return FhirAdapter(told | options)


def known_patient(number: str, **more: Any) -> dict[str, Any]:
    """Make a patient as the record holds them."""
    identifier = {"system": PATIENTS, "value": number}
    return {"resourceType": "Patient", "identifier": [identifier], **more}
