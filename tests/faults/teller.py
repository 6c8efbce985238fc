"""Tells invented work through the real doors, again and again until each thing is acknowledged."""

from __future__ import annotations

import random
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from pathlib import Path
from queue import Empty, Queue
from threading import Event

from tests.faults import facts_told
from tests.faults.doors import Doors, token_of
from tests.faults.http_door import HttpDoor, Offer
from tests.faults.invented_group import HOSPITALS, ROOMS, Hospital, generator_of
from tests.faults.invented_work import PlannedStudy, Shot, When, Work
from tests.faults.orders import FhirOrders, FolderOrders, Hl7Orders
from tests.faults.patience import until_taken
from tests.faults.poison import Poisoner
from tests.faults.stations import Station, data_set
from tests.faults.truth import Book, Fact
from tests.faults.vet import vets

BATCH = 30
"""Studies under way at once."""

LATE_BY = 2
"""Batches after its own in which a study's late shots are told."""

DOUBLED = 0.05
POISONED = 0.3
"""Of batches, beside the first: then each door of each hospital is told some."""

GIVE_UP_S = 900.0
"""How long after the last study the vets wait for their signed notes."""

Together = list[tuple[PlannedStudy, Shot]]


class Teller:
    """Tells a row of studies. ``run`` blocks; its threads are its own."""

    def __init__(self, work: Work, doors: Doors, folder: Path) -> None:
        self._work = work
        self._book = Book(folder)
        self._rng = random.Random(f"teller {work.seed}")
        self._desks = {one.name: _Desk(one, doors, self._book) for one in HOSPITALS}
        self._signed: Queue[PlannedStudy] = Queue()
        self._vets = vets(doors, self._book, self._signed.put)
        self.told = Event()
        """Set once every study was told; what the vets do may still go on."""
        self.studies = 0

    def run(self, stop: Event, pace_per_s: float = 0.0) -> list[str]:
        """Tell until the work or ``stop`` ends it, then let the vets finish.

        ``pace_per_s``: at most so many studies a second; 0: as fast as the doors take them. A study
        that has begun is told to its end. Gives the studies whose signed note has not come to the
        record in ``GIVE_UP_S``. Raises NotTakenError.
        """
        no_more, give_up = Event(), Event()
        # Each hospital: orders, technician, two generators, two stations; and its vet.
        with ThreadPoolExecutor(len(HOSPITALS) * 7) as threads:
            reading = [threads.submit(vet.run, no_more, give_up) for vet in self._vets.values()]
            try:
                self._tell_all(threads, stop, pace_per_s)
                self.told.set()
                no_more.set()
                self._tell_the_rest(threads, reading)
            finally:
                no_more.set()
                give_up.set()
                self.told.set()
            for one in reading:
                one.result()
        for desk in self._desks.values():
            desk.close()
        self._book.close()
        return [study for vet in self._vets.values() for study in vet.waits_for]

    def _tell_all(self, threads: ThreadPoolExecutor, stop: Event, pace_per_s: float) -> None:
        late: list[Together] = []
        began_s = time.monotonic()
        for batch in _batches(self._work, BATCH):
            if stop.is_set():
                break
            self._book.happens(*(study.truth() for study in batch))
            for study in batch:
                if study.signed:
                    self._vets[study.hospital.name].await_note(study)
            self._tell_batch(threads, batch)
            late.append([(study, shot) for study in batch for shot in study.of(When.LATE)])
            if len(late) > LATE_BY:
                self._tell_shots(threads, late.pop(0))
            self._tell_shots(threads, self._after_signature())
            self.studies += len(batch)
            if pace_per_s:
                due_s = began_s + self.studies / pace_per_s
                stop.wait(max(0.0, due_s - time.monotonic()))
        for rest in late:
            self._tell_shots(threads, rest)

    def _tell_batch(self, threads: ThreadPoolExecutor, batch: list[PlannedStudy]) -> None:
        """Tell most of it at once, by all doors, in no order; then what people decide at the end.

        Some ends are told first: facts may come in any order.
        """
        poisoned = self.studies == 0 or self._rng.random() < POISONED
        first: list[Future[None]] = []
        ends: list[Future[None]] = []
        for name, desk in self._desks.items():
            own = [study for study in batch if study.hospital.name == name]
            early = [facts_told.end(study) for study in own if study.close_first]
            first.append(threads.submit(desk.orders, own))
            first.append(threads.submit(desk.technician, early))
            if poisoned:
                first.append(threads.submit(desk.poison))
        shots = [(study, shot) for study in batch for shot in study.of(When.NOW)]
        self._tell_shots(threads, shots, first)
        for name, desk in self._desks.items():
            own = [study for study in batch if study.hospital.name == name]
            offers = [offer for study in own for offer in facts_told.decisions(study)]
            offers += [facts_told.end(study) for study in own if not study.close_first]
            ends.append(threads.submit(desk.technician, offers))
        _finish(ends)

    def _tell_shots(
        self, threads: ThreadPoolExecutor, shots: Together, beside: Iterable[Future[None]] = ()
    ) -> None:
        under_way = list(beside)
        for name, desk in self._desks.items():
            for room in ROOMS:
                own = [
                    (study, shot)
                    for study, shot in shots
                    if study.hospital.name == name and study.room == room
                ]
                if own:
                    under_way.append(threads.submit(desk.exposures, room, own))
                    under_way.append(threads.submit(desk.images, room, own))
        _finish(under_way)

    def _after_signature(self) -> Together:
        shots: Together = []
        while True:
            try:
                study = self._signed.get_nowait()
            except Empty:
                return shots
            shots += [(study, shot) for shot in study.of(When.AFTER_SIGNATURE)]

    def _tell_the_rest(self, threads: ThreadPoolExecutor, reading: Sequence[Future[None]]) -> None:
        """Tell what comes after signatures; in the end also where none has been seen."""
        deadline = time.monotonic() + GIVE_UP_S
        while not all(one.done() for one in reading) and time.monotonic() < deadline:
            self._tell_shots(threads, self._after_signature())
            time.sleep(0.5)
        self._tell_shots(threads, self._after_signature())
        unseen = {study for vet in self._vets.values() for study in vet.waits_for}
        if unseen:
            shots = [
                (study, shot)
                for study in self._work
                if study.study in unseen
                for shot in study.of(When.AFTER_SIGNATURE)
            ]
            self._tell_shots(threads, shots)


class _Desk:
    """The doors as one hospital uses them; each method is one thread's at a time."""

    def __init__(self, hospital: Hospital, doors: Doors, book: Book) -> None:
        self._hospital = hospital
        self._book = book
        self._rng = random.Random(hospital.name)

        def door(holder: str) -> HttpDoor:
            return HttpDoor(doors.http_url, token_of(hospital.name, holder))

        self._technician = door("tech-1")
        self._generators = {room: door(generator_of(room)) for room in ROOMS}
        self._stations = {room: Station(doors.dicom, hospital, room) for room in ROOMS}
        self._orders: FhirOrders | Hl7Orders | FolderOrders
        if hospital.record == "fhir":
            self._orders = FhirOrders(doors, hospital.name)
        elif hospital.record == "hl7":
            self._orders = Hl7Orders(doors, hospital.facility)
        else:
            self._orders = FolderOrders(doors)
        self._poisoner = Poisoner(hospital, doors, book)

    def orders(self, studies: Sequence[PlannedStudy]) -> None:
        self._orders.place(studies, self._order_taken, twice=self._rng.random() < DOUBLED)

    def _order_taken(self, study: PlannedStudy) -> None:
        self._book.acknowledged(Fact(self._hospital.name, "order_placed", study.order_id))

    def technician(self, offers: Sequence[Offer]) -> None:
        self._tell(self._technician, offers)

    def exposures(self, room: str, shots: Together) -> None:
        offers = [facts_told.exposure(study, shot) for study, shot in shots]
        self._tell(self._generators[room], offers)

    def images(self, room: str, shots: Together) -> None:
        station = self._stations[room]
        shuffled = self._rng.sample(shots, len(shots))
        for study, shot in shuffled:
            if shot.image is None:
                continue
            uid, body = shot.image, data_set(study, shot)
            for _ in range(1 + (self._rng.random() < DOUBLED)):
                until_taken(f"image {uid}", lambda: station.store_taken(uid, body))  # noqa: B023
            self._book.acknowledged(Fact(self._hospital.name, "image_stored", uid))

    def poison(self) -> None:
        self._poisoner.poison()

    def close(self) -> None:
        for one in (
            self._technician,
            self._orders,
            self._poisoner,
            *self._generators.values(),
            *self._stations.values(),
        ):
            one.close()

    def _tell(self, door: HttpDoor, offers: Sequence[Offer]) -> None:
        """Tell facts in no order, some of them twice."""
        if not offers:
            return
        told = self._rng.sample(list(offers), len(offers))
        receipts: list[str] = []
        for _ in range(1 + (self._rng.random() < DOUBLED)):
            receipts.clear()
            until_taken("facts", lambda: receipts.extend(door.tell(told)))
        self._book.acknowledged(
            *(
                Fact(self._hospital.name, str(offer["kind"]), receipt)
                for offer, receipt in zip(told, receipts, strict=True)
            )
        )


def _batches(work: Iterable[PlannedStudy], size: int) -> Iterator[list[PlannedStudy]]:
    row = iter(work)
    while batch := list(islice(row, size)):
        yield batch


def _finish(under_way: Iterable[Future[None]]) -> None:
    """Wait for all; the first failure is raised once none is under way any more."""
    failures = [failure for one in under_way if (failure := one.exception()) is not None]
    if failures:
        raise failures[0]
