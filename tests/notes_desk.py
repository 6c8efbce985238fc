"""The notes desk in this process: intake's real door, the notes service's handler, the console."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from schemas.conclusions import NoteWritten, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from services.console.views_notes import NotePage, one_note
from services.console.worker import ConsoleHandler
from services.notes.worker import NotesHandler
from services.runtime import triage
from tests.assessed import assessed, image, view
from tests.console_support import PASSWORD, RunningConsole, invented_group, running_console
from tests.console_told import told
from tests.handled import handle, sent
from tests.intake_support import Intake, running_intake

FINDING = "findings-mandible-left"


@dataclass
class NotesDesk:
    """Nothing goes on by itself here: ``settle`` lets the notes service and the console hear."""

    console: RunningConsole
    intake: Intake
    _noted: set[str] = field(default_factory=set)
    _heard: set[str] = field(default_factory=set)

    def browser(self, name: str = "vet-1", site: str = "north") -> httpx.Client:
        return self.console.browser(site, name)

    def assess(self, *studies: StudyAssessed) -> None:
        """Let services hear of studies."""
        self._hear([told(study) for study in studies])

    def settle(self, *, console: bool = True) -> None:
        """Let the notes service hear all new facts and, mostly, the console what it tells."""
        for fact in self.intake.facts():
            if str(fact.id) not in self._noted:
                self._noted.add(str(fact.id))
                if fact.kind != "note_released":  # a matter of the records service
                    self._note(fact)
        if console:
            self._console()

    def hear(self, *messages: Message[Payload]) -> None:
        self._hear(list(messages))

    def facts(self, study: str) -> list[Message[Payload]]:
        """Give what people told of a study."""
        told_of = self.intake.facts()
        return [one for one in told_of if getattr(one.payload, "study_instance_uid", "") == study]

    def page(self, study: str) -> NotePage:
        with self.console.runtime.store.read() as connection:
            found = one_note(connection, "north", study)
        assert found is not None
        return found

    def note(self, study: str) -> NoteWritten:
        return self.page(study).note

    def post(self, client: httpx.Client, study: str, what: str, **fields: Any) -> httpx.Response:
        """Send a form of the page, with the proof that it is ours."""
        form = {"tap": "a" * 16} | fields | {"csrf": self.console.csrf(client)}
        return client.post(f"/sites/north/notes/{study}/{what}", data=form)

    def _hear(self, messages: list[Message[Payload]]) -> None:
        for message in messages:
            self._note(message)
            self._tell_console(message)
        self._console()

    def _note(self, message: Message[Payload]) -> None:
        store, group = self.intake.runtime.store, self.intake.runtime.group
        try:
            handle(store, NotesHandler(group), "notes", [message])
        except InvalidInput as error:
            kept = triage.Kept("notes", "bus", error, message.encode(), message.kind)
            with store.begin() as connection:
                triage.keep(connection, [kept])

    def _console(self) -> None:
        for message in sent(self.intake.runtime.store):
            if isinstance(message.payload, NoteWritten) and str(message.id) not in self._heard:
                self._heard.add(str(message.id))
                self._tell_console(message)

    def _tell_console(self, message: Message[Payload]) -> None:
        runtime = self.console.runtime
        handle(runtime.store, ConsoleHandler(runtime.group), "console", [message])


@contextmanager
def running_desk(folder: Path) -> Iterator[NotesDesk]:
    """Run intake and console on one store, without a bus between them."""
    group = invented_group()
    south = group["sites"][1]
    vet = next(one for one in south["people"] if one["name"] == "vet-1")
    south["people"] = [*south["people"], vet | {"name": "vet-all", "reach": "group"}]
    with running_intake(folder, group=group) as intake:
        url = intake.facts_url.removesuffix("/facts")
        with running_console(
            folder, group=group, intake_url=url, taps_per_minute=10_000, intake_timeout_s=60
        ) as console:
            yield NotesDesk(console, intake)


def fields_of(page: str, what: str, nth: int = 0) -> dict[str, str]:
    """Read the hidden fields of a page's form that is sent to ``what``."""
    forms = re.findall(rf'<form[^>]*action="[^"]*/{what}".*?</form>', page, re.DOTALL)
    hidden = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', forms[nth])
    return {name: html.unescape(value) for name, value in hidden}


def closed(uid: str, **values: object) -> StudyAssessed:
    """Make a study that is over, with one view and its image."""
    given = {"study_instance_uid": uid, "views": (view(1),), "closed": True} | values
    return assessed(1, [image(1)], **given)


def address(study: str) -> str:
    """Give where a note of the north is shown."""
    return f"/sites/north/notes/{study}"


def signing(
    desk: NotesDesk, client: httpx.Client, study: str, typed: str = PASSWORD
) -> httpx.Response:
    """Open a note and sign what it shows."""
    form = fields_of(client.get(address(study)).text, "sign")
    return desk.post(client, study, "sign", **form, typed=typed)


def amend(
    desk: NotesDesk, client: httpx.Client, uid: str, text: str, section: str = FINDING
) -> httpx.Response:
    """Open a note and keep a change of one section."""
    page = client.get(address(uid)).text
    count = page.count('/amend"')
    forms = (fields_of(page, "amend", number) for number in range(count))
    form = next(one for one in forms if one["section"] == section)
    return desk.post(client, uid, "amend", **form, text=text)
