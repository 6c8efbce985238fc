"""The invented vets: they read drafts in the records, sign some, and add to some of these."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from queue import Empty, Queue
from threading import Event

from tests.faults.doors import Doors, token_of
from tests.faults.http_door import HttpDoor, Offer
from tests.faults.invented_group import HOSPITALS, Hospital
from tests.faults.invented_work import PlannedStudy
from tests.faults.patience import until_taken
from tests.faults.record_notes import FhirNotes, FolderNotes, FoundNote, Hl7Notes, NotesReader
from tests.faults.truth import Addendum, Book, Fact, Signature

VET = "vet-1"
LOOK_EVERY_S = 1.0


class Vet:
    """The vet of one hospital. ``await_note`` gives it a study whose note it is to sign.

    A signature holds for what was read: where the note changed meanwhile it is void, the newer
    draft comes to the record, and the vet reads and signs that. So each draft that is found is
    signed until a signed note is there. ``when_signed`` is called once for
    each study, when its signed note is in the record.
    """

    def __init__(
        self,
        doors: Doors,
        hospital: Hospital,
        book: Book,
        when_signed: Callable[[PlannedStudy], None],
    ) -> None:
        self._site = hospital.name
        self._reader = _reader(doors, hospital)
        self._door = HttpDoor(doors.http_url, token_of(hospital.name, VET))
        self._book = book
        self._when_signed = when_signed
        self._come: Queue[PlannedStudy] = Queue()
        self._waiting: dict[str, PlannedStudy] = {}

    def await_note(self, study: PlannedStudy) -> None:
        self._come.put(study)

    def run(self, no_more: Event, give_up: Event) -> None:
        """Read and sign until nothing is waited for and ``no_more`` will come."""
        while not give_up.is_set():
            ends = no_more.is_set()
            self._take_in()
            for note in self._reader.new(set(self._waiting)):
                self._see(note)
            if ends and not self._waiting and self._come.empty():
                return
            time.sleep(LOOK_EVERY_S)

    @property
    def waits_for(self) -> list[str]:
        """The studies whose signed note has not been seen in the record."""
        return list(self._waiting)

    def _take_in(self) -> None:
        while True:
            try:
                study = self._come.get_nowait()
            except Empty:
                return
            self._waiting[study.study] = study

    def _see(self, note: FoundNote) -> None:
        self._take_in()
        study = self._waiting.get(note.study)
        if study is None:
            return
        if note.final:
            del self._waiting[note.study]
            if study.addendum:
                self._add(study)
            self._when_signed(study)
        elif note.content_sha256 is not None:
            self._sign(study, note, note.content_sha256)

    def _sign(self, study: PlannedStudy, note: FoundNote, content_sha256: str) -> None:
        payload = {
            "study_instance_uid": study.study,
            "note_sha256": content_sha256,
            "signer": VET,
        }
        receipt = self._tell("note_signed", payload)
        self._book.acknowledged(
            Fact(self._site, "note_signed", receipt),
            Signature(self._site, study.study, content_sha256, note.text),
        )

    def _add(self, study: PlannedStudy) -> None:
        text = f"Invented addendum to study {study.number}: nothing was left out."
        payload = {"study_instance_uid": study.study, "text": text, "signer": VET}
        receipt = self._tell("note_addended", payload)
        self._book.acknowledged(
            Fact(self._site, "note_addended", receipt), Addendum(self._site, study.study, text)
        )

    def _tell(self, kind: str, payload: dict[str, str]) -> str:
        offer: Offer = {
            "kind": kind,
            "schema_version": 2,
            "occurred_at": datetime.now(UTC).isoformat(),
            "payload": payload,
        }
        receipts: list[str] = []
        until_taken(kind, lambda: receipts.extend(self._door.tell([offer], signs=True)))
        return receipts[0]


def _reader(doors: Doors, hospital: Hospital) -> NotesReader:
    if hospital.record == "fhir":
        return FhirNotes(doors)
    if hospital.record == "hl7":
        return Hl7Notes(doors)
    return FolderNotes(doors, hospital.name)


def vets(doors: Doors, book: Book, when_signed: Callable[[PlannedStudy], None]) -> dict[str, Vet]:
    """Give the vet of each hospital by its name."""
    return {one.name: Vet(doors, one, book, when_signed) for one in HOSPITALS}
