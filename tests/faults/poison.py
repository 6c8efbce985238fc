"""Input that nobody can use, one kind for each door; each bears a mark that is found in triage."""

from __future__ import annotations

import json
from itertools import count

from tests.faults.doors import Doors, token_of
from tests.faults.http_door import HttpDoor
from tests.faults.invented_group import HL7_SENDER, Hospital, generator_of
from tests.faults.orders import FhirOrders, FolderOrders, Hl7Orders
from tests.faults.patience import Trouble, until_taken
from tests.faults.truth import Book, Poison
from tests.record_inputs import fhir_resources as fhir
from tests.record_inputs import hl7_texts as hl7

ROOM = "dental-1"


class Poisoner:
    """Tells poison at the doors of one hospital, until the door has answered that it refuses it."""

    def __init__(self, hospital: Hospital, doors: Doors, book: Book) -> None:
        self._hospital = hospital
        self._doors = doors
        self._book = book
        self._numbers = count(1)
        self._door = HttpDoor(doors.http_url, token_of(hospital.name, generator_of(ROOM)))

    def poison(self) -> None:
        """Tell one at each door."""
        number = next(self._numbers)
        self._facts(f"poison-{self._hospital.name}-{number}-fact")
        self._no_json(f"poison-{self._hospital.name}-{number}-text")
        self._order(f"poison-{self._hospital.name}-{number}-order")

    def close(self) -> None:
        self._door.close()

    def _facts(self, mark: str) -> None:
        """An exposure of no time and of a negative voltage."""
        payload = {
            "room": ROOM,
            "generator": generator_of(ROOM),
            "generator_serial": mark,
            "tube_kv": -1.0,
        }
        at = "2026-03-02T08:00:00Z"
        offer = {"kind": "exposure_ended", "occurred_at": at, "payload": payload}
        self._post(mark, json.dumps([offer]).encode(), 207)

    def _no_json(self, mark: str) -> None:
        self._post(mark, f'[{{"kind": "{mark}"'.encode(), 400)

    def _post(self, mark: str, body: bytes, expected: int) -> None:
        def attempt() -> None:
            status, said = self._door.post("/facts", body)
            if status != expected:
                raise Trouble(f"/facts: expected {expected}, got {status} {said[:300]!r}")

        until_taken(mark, attempt)
        self._book.acknowledged(Poison(mark, "http"))

    def _order(self, mark: str) -> None:
        """An order for a plan that nobody has listed, or one that is cut off."""
        if self._hospital.record == "fhir":
            orders = FhirOrders(self._doors, self._hospital.name)
            strange = fhir.order(mark, code=fhir.concept(mark), encounter=None)
            species = {"url": "species", "valueCodeableConcept": fhir.concept("CANINE")}
            plain = fhir.patient(extension=[{"url": fhir.ANIMAL, "extension": [species]}])
            orders.tell(json.dumps(fhir.bundle(plain, strange)).encode(), (422,))
            orders.close()
        elif self._hospital.record == "hl7":
            lines = hl7.orm(f3=HL7_SENDER, f4=self._hospital.facility)
            lines[0] = lines[0].replace("INV-1", mark[-20:])
            lines[4] = hl7.obr(code=f"{mark}^Nobody's^INV")
            desk = Hl7Orders(self._doors, self._hospital.facility)
            desk.tell(hl7.joined(lines), b"ER")
            desk.close()
        else:
            folder = FolderOrders(self._doors)
            folder.drop(f"{mark}.json", f'{{"kind": "{mark}"'.encode())
            folder.wait_for("rejected", f"{mark}.json")
        self._book.acknowledged(Poison(mark, self._hospital.record))
