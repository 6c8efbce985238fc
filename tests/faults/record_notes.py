"""Notes as a vet finds them in each of the three records: what is new since the last look."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from tests.faults.doors import Doors, ask_hl7_record

_HASH = re.compile(r"Content hash \(SHA-256\): ([0-9a-f]{64})")


@dataclass(frozen=True, slots=True)
class FoundNote:
    """A revision of a note in a record; ``final`` once a vet has signed it."""

    study: str
    final: bool
    text: str

    @property
    def content_sha256(self) -> str | None:
        """The hash that the note itself shows: what a signature is given for."""
        found = _HASH.search(self.text)
        return found[1] if found else None


class NotesReader(Protocol):
    """Gives each revision once. A record that is away has nothing new."""

    def new(self, waiting: set[str]) -> Iterator[FoundNote]: ...


class FhirNotes:
    """Reads on in the journal of the FHIR stand-in."""

    def __init__(self, doors: Doors) -> None:
        self._journal = Path(doors.fhir_folder) / "journal.jsonl"
        self._at = 0

    def new(self, waiting: set[str]) -> Iterator[FoundNote]:
        del waiting
        if not self._journal.exists():
            return
        with self._journal.open("rb") as file:
            file.seek(min(self._at, self._journal.stat().st_size))
            for line in file:
                if not line.endswith(b"\n"):
                    break
                self._at += len(line)
                if b'"DocumentReference"' in line:
                    yield from self._read(json.loads(line))

    def _read(self, held: dict[str, Any]) -> Iterator[FoundNote]:
        if held["resourceType"] != "DocumentReference" or held["status"] != "current":
            return  # a newer revision is there
        study = next(one["value"] for one in held["identifier"] if one["system"].endswith("/study"))
        for content in held["content"]:
            attachment = content["attachment"]
            if attachment["contentType"].startswith("text/plain"):
                text = base64.b64decode(attachment["data"]).decode()
                yield FoundNote(study, held["docStatus"] != "preliminary", text)


class Hl7Notes:
    """Asks the HL7 stand-in for the notes that came since."""

    def __init__(self, doors: Doors) -> None:
        self._doors = doors
        self._seen = 0

    def new(self, waiting: set[str]) -> Iterator[FoundNote]:
        del waiting
        with suppress(OSError, ValueError):  # it is away, or was cut off: next time
            notes = ask_hl7_record(self._doors, notes_from=self._seen)["notes"]
            self._seen += len(notes)
            for note in notes:
                if note["kind"] == "ORU":
                    yield FoundNote(note["study_instance_uid"], note["status"] != "P", note["text"])


class FolderNotes:
    """Looks into the folders of the studies that somebody waits for."""

    def __init__(self, doors: Doors, site: str) -> None:
        self._notes = Path(doors.record_folder) / "notes" / site
        self._seen: set[Path] = set()

    def new(self, waiting: set[str]) -> Iterator[FoundNote]:
        for study in waiting:
            for path in (self._notes / study).glob("*.json"):
                if path in self._seen or path.name.endswith(".answer.json"):
                    continue
                self._seen.add(path)
                held = json.loads(path.read_text(encoding="utf-8"))["content"]
                text = path.with_suffix(".txt").read_text(encoding="utf-8")
                yield FoundNote(study, held["status"] != "preliminary", text)
