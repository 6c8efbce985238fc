"""A morning of one invented visit told to a running program without waiting, and what the stand-in
record then holds, counted from its files and by plain SQL: no code of the services is used."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections import Counter
from dataclasses import dataclass, field
from datetime import time, timedelta
from pathlib import Path

import psycopg
from sqlalchemy.engine import make_url

from demo.hospital import Hospital
from demo.people import Person
from demo.stand_in import StandIn
from demo.story import Day, Visit, animal_size, load_day, shots
from tests.servers.polling import wait_until


@dataclass(slots=True)
class Told:
    """What was acknowledged: images by study, and how many exposures."""

    images: dict[str, set[str]] = field(default_factory=dict)
    exposures: int = 0

    @property
    def all_images(self) -> set[str]:
        return set().union(*self.images.values())


def three_visits(day: Day) -> tuple[Visit, Visit, Visit]:
    """Give three short invented visits, an hour apart, each of an animal of its own."""
    short = next(visit for visit in day.visits if visit.plan == "dog-follow-up-108")

    def at(hour: int) -> Visit:
        patient = short.patient.model_copy(update={"patient_id": f"INV-90{hour}"})
        return short.model_copy(
            update={"order_id": f"90{hour}", "at": time(hour), "patient": patient}
        )

    return at(10), at(11), at(12)


class Morning:
    """Tells visits by the real doors. ``told`` is what the program has acknowledged."""

    def __init__(self, hospital: Hospital) -> None:
        self.day: Day = load_day()
        self.told = Told()
        self._hospital = hospital
        url = hospital.http_url
        self._technician = Person(url, "tech-1")
        self._record = StandIn("demo.record", url=url, folder=hospital.record_folder)
        self._generator = StandIn("demo.generator", url=url)
        self._station = StandIn("demo.station", host="127.0.0.1", port=hospital.dicom_port)

    def __enter__(self) -> Morning:
        return self

    def __exit__(self, *_: object) -> None:
        for stand_in in (self._record, self._generator, self._station):
            stand_in.__exit__(None, None, None)

    def visit(self, visit: Visit) -> None:
        """Order, expose, store, close: every answer is waited for, no effect is."""
        self._record.ask(do="place", visit=visit.model_dump_json())
        wait_until(lambda: self._on_worklist(visit), 30, "the order on the worklist")
        study = visit.study_instance_uid
        kept = self.told.images.setdefault(study, set())
        ended = self.day.begins_at(visit)
        self._technician.confirms_readiness(ended + timedelta(minutes=5), study)
        for shot in shots(self.day, visit):
            plain = shot.model_copy(update={"late": False, "rejected": False, "labelled": True})
            told = plain.model_dump_json()
            self._generator.ask(do="expose", shot=told, animal_size=animal_size(visit))
            self.told.exposures += 1
            if plain.makes_image:
                answer = self._station.ask(
                    do="image",
                    shot=told,
                    accession_number=visit.accession_number,
                    plan=visit.plan,
                )
                kept.add(answer["stored"])
            ended = shot.true_time
        self._technician.closes(ended + timedelta(minutes=3), study)

    def _on_worklist(self, visit: Visit) -> bool:
        try:
            self._station.ask(do="worklist", accession_number=visit.accession_number)
        except Exception:  # noqa: BLE001 - not there yet
            return False
        return True


@dataclass(frozen=True, slots=True)
class Held:
    """What the record's files say: how often each image stands charged, and the entries' keys."""

    charged: Counter[str]
    keys: list[str]
    notes: set[str]


def held_by(record: Path) -> Held:
    """Count in the record's files, charges less their credits."""
    entries = [
        json.loads(path.read_text())["content"]["entry"]
        for path in record.glob("charges/*/*/*.json")
        if not path.name.endswith(".answer.json")
    ]
    credited = {entry.get("reverses") for entry in entries if entry["type"] == "credit"}
    charged: Counter[str] = Counter()
    for entry in entries:
        # Once for each study's cover, whose code rests on every image.
        if entry["type"] == "charge" and entry["posting_key"] not in credited:
            charged.update(entry["images"] if entry["code"] != "INV-COVER" else [])
    notes = {path.parent.name for path in record.glob("notes/*/*/*.json")}
    return Held(charged, [entry["posting_key"] for entry in entries], notes)


def count(url: str, query: str) -> list[tuple[object, ...]]:
    """Ask a database by its own driver."""
    parts = make_url(url)
    if parts.get_backend_name() == "sqlite":
        with sqlite3.connect(str(parts.database)) as connection:
            return connection.execute(query).fetchall()
    plain = parts.set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(plain) as other:
        return list(other.execute(query.encode()).fetchall())


def sums_hold(folder: Path) -> bool:
    """Check ``SHA256SUMS`` as coreutils does: each line a digest, two spaces, a path."""
    lines = (folder / "SHA256SUMS").read_text().splitlines()
    return bool(lines) and all(
        hashlib.sha256((folder / line[66:]).read_bytes()).hexdigest() == line[:64] for line in lines
    )
