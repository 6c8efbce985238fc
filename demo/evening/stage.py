"""The three hospitals at work: their devices and record as processes, and what is known by now."""

import json
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from sqlalchemy import select

from demo.evening.desk import Person as Desk
from demo.evening.guests import Evening, Guest
from demo.evening.hospitals import HOUSES, House, Room
from demo.evening.record import lay_out
from demo.hospital import Hospital
from demo.people import Person
from demo.stand_in import StandIn
from demo.story import Shot, animal_size
from schemas.conclusions import NoteWritten, RoomDayAssessed, StudyAssessed
from schemas.envelope import Payload
from services.console.tables import ROOM_DAY
from services.console.views_chairside import study_board
from services.console.views_notes import one_note
from services.intake.store import IMAGE
from services.runtime import triage
from services.runtime.triage import TriageState

_SETTLED_WITHIN_S: Final = 300.0
_Found = TypeVar("_Found")


class CameOtherwise(Exception):  # noqa: N818
    """A trouble of the day did not come out as it is told; says what was expected."""


@dataclass(slots=True)
class Stage:
    """Everything that happens does so through here, by the real doors."""

    hospital: Hospital
    evening: Evening
    record: StandIn
    generators: dict[str, StandIn]
    stations: dict[str, StandIn]
    _people: dict[str, Person] = field(default_factory=dict)
    _desks: dict[str, Desk] = field(default_factory=dict)

    @property
    def console_url(self) -> str:
        return f"http://127.0.0.1:{self.hospital.environment['GOMPHOSIS_CONSOLE__PORT']}"

    def guest(self, name: str) -> Guest:
        return self.evening.guests[name]

    def house(self, site: str) -> House:
        return next(house for house in HOUSES if house.site == site)

    def room(self, guest: Guest) -> Room:
        return self.house(guest.site).room(guest.room)

    def generator(self, guest: Guest) -> StandIn:
        return self.generators[self.room(guest).generator]

    def station(self, guest: Guest) -> StandIn:
        return self.stations[self.room(guest).station]

    def person(self, name: str) -> Person:
        """Somebody with a device's door: at the tablet or the desk of their room."""
        if name not in self._people:
            self._people[name] = Person(self.hospital.http_url, name)
        return self._people[name]

    def desk(self, name: str, site: str = HOUSES[0].site) -> Desk:
        """Somebody who is signed in at the console."""
        if name not in self._desks:
            self._desks[name] = Desk(self.console_url, site, name)
        return self._desks[name]

    def leave(self) -> None:
        """Let everybody at the console go home."""
        for desk in self._desks.values():
            desk.close()

    def record_tells(self, site: str, fact: Payload, at: datetime) -> None:
        self.record.ask(
            do="tell",
            holder=self.house(site).record,
            kind=fact.KIND,
            version=fact.VERSION,
            at=at.isoformat(),
            payload=fact.model_dump(mode="json"),
        )

    def expose(self, guest: Guest, shot: Shot, **how: bool) -> None:
        """Let the generator expose; its answer is read by ``exposed``."""
        self.generator(guest).tell(
            do="expose",
            shot=shot.model_dump_json(),
            animal_size=animal_size(guest.visit),
            **how,
        )

    def image(self, guest: Guest, shot: Shot) -> None:
        """Let the station make and send the image; its answer is read from the station."""
        self.station(guest).tell(
            do="image",
            shot=shot.model_dump_json(),
            accession_number=guest.visit.accession_number,
            plan=guest.visit.plan,
        )

    def held(self, guest: Guest) -> dict[str, Any]:
        """What the record holds of a guest: charges and credits, notes, and files."""
        return self.record.ask(do="held", study_instance_uid=guest.study)

    def study(self, guest: Guest) -> StudyAssessed | None:
        with self.hospital.store.read() as connection:
            board = study_board(connection, guest.site, guest.study)
        return board.study if board is not None else None

    def note(self, guest: Guest) -> NoteWritten | None:
        with self.hospital.store.read() as connection:
            page = one_note(connection, guest.site, guest.study)
        return page.note if page is not None else None

    def room_day(self, guest: Guest) -> RoomDayAssessed | None:
        own = ROOM_DAY.c
        query = select(own.snapshot).where(
            own.site == guest.site, own.room == guest.room, own.day == self.evening.day.date
        )
        with self.hospital.store.read() as connection:
            told = connection.scalar(query)
        return RoomDayAssessed.model_validate_json(told) if told is not None else None

    def triage(self, state: TriageState) -> list[Any]:
        with self.hospital.store.read() as connection:
            return list(triage.entries(connection, state, 100))

    def image_files(self, uids: Sequence[str]) -> list[Path]:
        """Where the images lie that came from the stations, in this order."""
        query = select(IMAGE.c.sop_instance_uid, IMAGE.c.path).where(
            IMAGE.c.sop_instance_uid.in_(uids), IMAGE.c.copy == 0
        )
        with self.hospital.store.read() as connection:
            found = {row.sop_instance_uid: row.path for row in connection.execute(query)}
        return [self.hospital.folder / "images" / found[uid] for uid in uids]

    def command(self, *arguments: str) -> Any:
        """Run one of the program's commands that answers as JSON."""
        told = self.hospital.command(*arguments, "--json")
        if told.returncode != 0:
            raise CameOtherwise(f"gomphosis {' '.join(arguments)}: {told.stderr.strip()}")
        return json.loads(told.stdout)

    def wait_for(self, what: str, found: Callable[[], _Found | None]) -> _Found:
        """Wait until something is there, and give it."""
        end = time.monotonic() + _SETTLED_WITHIN_S
        while not (there := found()):
            if time.monotonic() > end:
                log = self.hospital.folder / "services.log"
                raise CameOtherwise(f"expected {what} within {_SETTLED_WITHIN_S:.0f} s; see {log}")
            time.sleep(0.05)
        return there

    def wait_study(self, guest: Guest, what: str, holds: Callable[[StudyAssessed], bool]) -> (
        StudyAssessed
    ):  # fmt: skip
        def found() -> StudyAssessed | None:
            study = self.study(guest)
            return study if study is not None and holds(study) else None

        return self.wait_for(f"{guest.name}: {what}", found)

    def wait_note(
        self, guest: Guest, what: str, holds: Callable[[NoteWritten], bool]
    ) -> NoteWritten:
        def found() -> NoteWritten | None:
            note = self.note(guest)
            return note if note is not None and holds(note) else None

        return self.wait_for(f"{guest.name}: {what}", found)


@contextmanager
def on_stage(hospital: Hospital, evening: Evening) -> Iterator[Stage]:
    """Start the record and every room's devices, each a process of its own."""
    url, port = hospital.http_url, hospital.dicom_port
    with ExitStack() as stack:
        record = stack.enter_context(
            StandIn("demo.evening.record", url=url, folder=hospital.record_folder)
        )
        generators: dict[str, StandIn] = {}
        stations: dict[str, StandIn] = {}
        for house in HOUSES:
            for room in house.rooms:
                generators[room.generator] = stack.enter_context(
                    StandIn(
                        "demo.generator",
                        url=url,
                        device=room.generator,
                        room=room.name,
                        serial=room.serial,
                        operator=house.technician,
                        clock_ahead_s=room.generator_ahead_s,
                    )
                )
                stations[room.station] = stack.enter_context(
                    StandIn(
                        "demo.station",
                        host="127.0.0.1",
                        port=port,
                        title=room.station_title,
                        called=house.called_ae_title,
                        clock_ahead_s=room.station_ahead_s,
                    )
                )
        stage = Stage(hospital, evening, record, generators, stations)
        stack.callback(stage.leave)
        yield stage


def prepare_record(folder: Path) -> None:
    """Make the record's folder as a link, before anything looks for it."""
    lay_out(folder / "record")
