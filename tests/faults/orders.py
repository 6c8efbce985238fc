"""Orders by each record's real way: FHIR resources, HL7 v2 over MLLP, files dropped in a folder."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.faults.doors import Doors, token_of
from tests.faults.http_door import HttpDoor
from tests.faults.invented_group import HL7_SENDER, PATIENT_SYSTEM, order_code
from tests.faults.invented_work import PlannedStudy
from tests.faults.patience import Trouble, until_taken
from tests.record_inputs import fhir_resources as fhir
from tests.record_inputs import hl7_texts as hl7
from tests.record_inputs.mllp_client import MllpClient

TIMEOUT_S = 20.0
AHEAD = timedelta(hours=1)
"""So long before its study an order is placed."""

Taken = Callable[[PlannedStudy], None]


class FhirOrders:
    """A record that notifies: each order as a Bundle, to the door for notifications."""

    def __init__(self, doors: Doors, site: str) -> None:
        self._door = HttpDoor(doors.http_url, token_of(site, "record-1"))

    def place(self, studies: Sequence[PlannedStudy], taken: Taken, *, twice: bool) -> None:
        for study in studies:
            for _ in range(1 + twice):
                self.tell(json.dumps(_bundle(study)).encode(), (200,))
            taken(study)

    def tell(self, body: bytes, expected: tuple[int, ...]) -> None:
        """Tell until the status is an expected one."""
        until_taken("FHIR notification", lambda: self._once(body, expected))

    def _once(self, body: bytes, expected: tuple[int, ...]) -> None:
        status, said = self._door.post("/fhir/notify", body)
        if status not in expected:
            raise Trouble(f"/fhir/notify: {status} {said[:300]!r}")

    def close(self) -> None:
        self._door.close()


class Hl7Orders:
    """A record that sends OMI^O23, one after the other on one connection."""

    def __init__(self, doors: Doors, facility: str) -> None:
        self._doors = doors
        self._facility = facility
        self._client: MllpClient | None = None

    def place(self, studies: Sequence[PlannedStudy], taken: Taken, *, twice: bool) -> None:
        for study in studies:
            for _ in range(1 + twice):
                self.tell(hl7.joined(_omi(study, self._facility)), b"A")
            taken(study)

    def tell(self, body: bytes, expected: bytes) -> None:
        """Tell until the answer's code (MSA-1) ends with one of the expected letters."""
        until_taken("HL7 order", lambda: self._once(body, expected))

    def _once(self, body: bytes, expected: bytes) -> None:
        try:
            if self._client is None:
                self._client = MllpClient(self._doors.mllp[1], self._doors.mllp[0])
                self._client.socket.settimeout(TIMEOUT_S)
            answer = self._client.ask(body)
        except (OSError, AssertionError) as error:
            self.close()
            raise Trouble(f"MLLP: {error!r}") from error
        code = answer.partition(b"\rMSA|")[2][1:2] if answer else b""
        # 207, application internal error (table 0357): not its fault, to be sent again.
        internal = answer is not None and b"|207^" in answer
        if not code or code not in expected or internal:
            self.close()
            raise Trouble(f"MLLP: {answer!r}")

    def close(self) -> None:
        if self._client is not None:
            self._client.socket.close()
            self._client = None


class FolderOrders:
    """A record that drops files; one is taken once it lies in ``orders/taken``."""

    def __init__(self, doors: Doors) -> None:
        self._orders = Path(doors.record_folder) / "orders"

    def place(self, studies: Sequence[PlannedStudy], taken: Taken, *, twice: bool) -> None:
        """Drop all of them, then wait for each. ``twice``: once more after it was taken."""
        for study in studies:
            self.drop(f"{study.order_id}.json", json.dumps(_order_file(study)).encode())
        for study in studies:
            self.wait_for("taken", f"{study.order_id}.json")
            if twice:
                self.drop(f"{study.order_id}-again.json", json.dumps(_order_file(study)).encode())
                self.wait_for("taken", f"{study.order_id}-again.json")
            taken(study)

    def drop(self, name: str, body: bytes) -> None:
        """Write beside and rename, as one should."""
        until_taken(f"order file {name}", lambda: self._drop(name, body))

    def _drop(self, name: str, body: bytes) -> None:
        beside = self._orders / f".{name}.part"
        with suppress(FileNotFoundError):
            beside.unlink()
        beside.write_bytes(body)
        beside.rename(self._orders / name)

    def wait_for(self, where: str, name: str) -> None:
        until_taken(f"order file {name}", lambda: self._look(where, name))

    def _look(self, where: str, name: str) -> None:
        time.sleep(0.05)
        if not list((self._orders / where).glob(f"{name}*")):
            raise Trouble(f"{name} is not in {where} yet")

    def close(self) -> None:
        """Nothing is open."""


def _bundle(study: PlannedStudy) -> dict[str, Any]:
    updated = (study.starts - AHEAD).isoformat()
    number = study.patient
    patient = fhir.patient(
        number, updated=updated, identifier=[{"system": PATIENT_SYSTEM, "value": number}]
    )
    patient["extension"][0]["extension"] = [
        {"url": "species", "valueCodeableConcept": fhir.concept("CANINE")}
    ]
    v2 = "http://terminology.hl7.org/CodeSystem/v2-0203"
    order = fhir.order(
        study.order_id,
        updated=updated,
        identifier=[
            {
                "type": fhir.concept("PLAC", v2),
                "system": "https://record.invalid/order-id",
                "value": study.order_id,
            },
            {
                "type": fhir.concept("ACSN", v2),
                "system": "https://record.invalid/accession",
                "value": study.accession,
            },
            {"system": "urn:dicom:uid", "value": f"urn:oid:{study.study}"},
        ],
        code=fhir.concept(order_code(study.plan)),
        subject={"reference": f"Patient/{number}"},
        encounter=None,
        locationCode=[fhir.concept(study.room.upper())],
        occurrenceDateTime=study.starts.isoformat(),
    )
    return fhir.bundle(patient, order)


def _omi(study: PlannedStudy, facility: str) -> list[str]:
    moment = f"{study.starts - AHEAD:%Y%m%d%H%M%S}+0000"
    start = f"{study.starts:%Y%m%d%H%M%S}+0000"
    head = {"f3": HL7_SENDER, "f4": facility, "f7": moment, "f18": "ASCII"}
    return [
        hl7.header("OMI^O23^OMI_O23", f"INV{study.order_id}", **head),
        hl7.pid(study.patient, f8="F", f18=study.account, f35="CANINE^Dog^INVS"),
        hl7.PV1,
        hl7.orc(number=study.order_id, f9=moment),
        hl7.segment("TQ1", {1: "1", 7: start, 9: "R"}),
        hl7.obr(study.order_id, f"{order_code(study.plan)}^Invented^INV", f36=start),
        hl7.segment(
            "IPC",
            {
                1: f"{study.accession}^INV",
                2: f"{study.order_id}^INV",
                3: f"{study.study}^INV",
                4: f"{study.order_id}^INV",
                5: "IO",
                8: f"{study.room.upper()}^^INV",
            },
        ),
    ]


def _order_file(study: PlannedStudy) -> dict[str, Any]:
    return {
        "kind": "order_placed",
        "site": study.hospital.name,
        "occurred_at": (study.starts - AHEAD).isoformat(),
        "payload": {
            "order_id": study.order_id,
            "study_instance_uid": study.study,
            "accession_number": study.accession,
            "patient": {"patient_id": study.patient, "name": "Invented", "species": "dog"},
            "plan": study.plan,
            "room": study.room,
            "scheduled_at": study.starts.isoformat(),
            "account": study.account,
            "training": study.training,
        },
    }
