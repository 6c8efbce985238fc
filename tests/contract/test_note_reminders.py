"""Reminders of unsigned notes on a real store: each told once, none of a signed note."""

import json
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from schemas.conclusions import NoteUnsigned
from schemas.envelope import Message, Payload
from schemas.facts.desk import NoteSigned
from services.notes import store as notes_store
from services.notes.reminder import Reminder
from services.notes.unsigned_commands import show_unsigned_notes
from services.notes.worker import NotesHandler
from services.runtime.store import Store
from tests.assessed import GROUP, START, STUDY, assessed, image, message, view
from tests.handled import handle, sent

HANDLER = NotesHandler(GROUP)
CLOSED = assessed(1, [image(1)], views=(view(1),), closed=True)


def _handle(store: Store, *messages: Message[Payload]) -> None:
    handle(store, HANDLER, "notes", messages)


def _reminder(store: Store) -> Reminder:
    return Reminder(store, GROUP, lambda: None)


def _told(store: Store) -> list[NoteUnsigned]:
    payloads = [one.payload for one in sent(store)]
    return [payload for payload in payloads if isinstance(payload, NoteUnsigned)]


def _sign(store: Store, by: str = "vet-1") -> None:
    with store.read() as connection:
        snapshot = notes_store.read_note(connection, "north", STUDY).snapshot
    assert snapshot is not None
    payload = NoteSigned(
        study_instance_uid=STUDY,
        note_sha256=snapshot.content_sha256,
        signer=by,
        reauthenticated_at=START,
    )
    _handle(store, message(payload, person=by))


def _after(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def test_each_reminder_of_an_unsigned_note_is_told_once(store: Store) -> None:
    _handle(store, message(CLOSED))
    reminder = _reminder(store)

    looks = [reminder.look(_after(hours)) for hours in (1, 24, 25, 72, 73, 999)]

    assert looks == [0, 1, 0, 1, 0, 0]
    assert [(one.reminder, one.age_hours) for one in _told(store)] == [(1, 24.0), (2, 72.0)]
    assert _told(store)[0].waiting_since == START


def test_a_newer_assessment_does_not_make_a_waiting_note_young_again(store: Store) -> None:
    _handle(store, message(CLOSED))
    later = assessed(2, [image(1)], views=(view(1), view(2)), closed=True)

    _handle(store, message(later, at=_after(20)))

    assert _reminder(store).look(_after(24)) == 1


def test_a_signed_or_reopened_note_is_told_no_more(store: Store) -> None:
    _handle(store, message(CLOSED))
    _handle(store, message(CLOSED.model_copy(update={"revision": 2, "closed": False})))
    assert _reminder(store).look(_after(30)) == 0
    _handle(store, message(CLOSED.model_copy(update={"revision": 3}), at=_after(30)))
    assert _reminder(store).look(_after(30)) == 0
    assert _reminder(store).look(_after(54)) == 1

    _sign(store)

    assert _reminder(store).look(_after(999)) == 0


def test_after_a_trainees_signature_the_reminder_asks_for_a_vets(store: Store) -> None:
    _handle(store, message(CLOSED))
    _sign(store, "trainee-1")

    _reminder(store).look(_after(24))

    assert [(one.waits_for, one.trainee) for one in _told(store)] == [("cosignature", "trainee-1")]


def test_the_command_lists_what_waits(
    store: Store, database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "group.yaml").write_text(GROUP.model_dump_json())
    monkeypatch.setenv("GOMPHOSIS_STORE__URL", database_url)
    monkeypatch.setenv("GOMPHOSIS_GROUP_DIR", str(tmp_path))
    app = typer.Typer()
    app.command()(show_unsigned_notes)
    assert "No note waits" in CliRunner().invoke(app, []).stdout
    _handle(store, message(CLOSED))

    shown = CliRunner().invoke(app, ["--site", "north"]).stdout
    (row,) = json.loads(CliRunner().invoke(app, ["--json"]).stdout)

    assert STUDY in shown
    assert (row["site"], row["patient_id"], row["waits_for"]) == ("north", "P-1001", "signature")
    assert row["reminders"] == 2
    assert CliRunner().invoke(app, ["--site", "south"]).exit_code == 1
