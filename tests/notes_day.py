"""Invented studies that are over, with their notes, in a running hospital."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from demo.hospital import Hospital
from demo.http_teller import HttpTeller
from schemas.conclusions import NoteWritten
from schemas.envelope import Payload
from schemas.facts import NoteAmended, StudyClosed
from services.console.views_notes import NotePage, one_note
from tests.chairside_day import SITE, ChairsideDay
from tests.servers.polling import wait_until

HOSTILE = '<script>window.owned=1</script><img src=x onerror="window.owned=1">'
"""What a person or a record may write, to be shown as it was written."""


def password_of(name: str) -> str:
    return f"invented password of {name}"


class NotesDay:
    """One hospital whose day is over: its notes wait."""

    def __init__(self, hospital: Hospital) -> None:
        self.day = ChairsideDay(hospital)
        self.url = self.day.url
        self.hospital = hospital
        self._people: dict[str, HttpTeller] = {}

    def close(self) -> None:
        self.day.close()

    def address(self, study: str) -> str:
        return f"/sites/{SITE}/notes/{study}"

    def finished(self, number: int, name: str = "Pepper", views: tuple[str, ...] = ()) -> str:
        """Do a study with images of these views, close it, and wait for its note to wait."""
        study = self.day.order(number, name)
        for view in views:
            self.day.shoot(number, study, view)
        self.tell("tech-1", StudyClosed(study_instance_uid=study))
        self.wait(study, lambda page: page.line.waits_for == "signature", "the note to wait")
        return study

    def tell(self, who: str, fact: Payload) -> None:
        """Tell a fact as somebody with a token of their own does, past the console."""
        teller = self._people.setdefault(who, HttpTeller(self.hospital.http_url, who))
        told = fact.model_dump(mode="json", exclude=set(fact.SET_BY_INTAKE))
        teller.tell(fact.KIND, datetime.now(UTC), told, fact.VERSION)

    def amended(self, study: str, section: str, text: str, who: str = "vet-1") -> NoteWritten:
        """Change a section past the console, and wait until the console shows it."""
        self.tell(who, NoteAmended(study_instance_uid=study, section=section, text=text))
        return self.wait(
            study,
            lambda page: any(
                one.section == section and text in one.text for one in page.note.sections
            ),
            "the change in the note",
        ).note

    def page(self, study: str) -> NotePage | None:
        with self.day.store.read() as connection:
            return one_note(connection, SITE, study)

    def note(self, study: str) -> NoteWritten:
        found = self.page(study)
        assert found is not None
        return found.note

    def wait(self, study: str, holds: Callable[[NotePage], bool], what: str) -> NotePage:
        def found() -> NotePage | None:
            known = self.page(study)
            return known if known is not None and holds(known) else None

        known = wait_until(found, 120, what)
        assert known is not None
        return known

    def refused_by_record(self, study: str, words: str) -> None:
        """Let the record refuse the newest revision that was posted, in its own words."""
        folder = self.hospital.record_folder / "notes" / SITE / study
        self.wait(study, lambda page: not page.note.due, "the record to hold what stands")

        def newest() -> Path | None:
            posted = [one for one in folder.glob("*.json") if one.stem.isdecimal()]
            return max(posted, key=lambda one: int(one.stem), default=None)

        posted = wait_until(newest, 60, "the note in the record")
        assert posted is not None
        answer = posted.with_name(f"{posted.name}.answer.json")
        beside = answer.with_suffix(".part")
        beside.write_text(json.dumps({"outcome": "rejected", "words": words}), encoding="utf-8")
        beside.rename(answer)
        self.wait(study, lambda page: page.note.task is not None, "the refusal on the desk")
