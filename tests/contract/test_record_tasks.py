"""``gomphosis record-tasks``: what a person settles with the record, and what to do about it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from schemas.conclusions import NoteState
from schemas.envelope import Payload
from schemas.facts import PostingOutcome
from services.records import store as postings
from services.records.answers import Said, mark
from services.records.bar import Bar, Met
from services.records.port import RecordBarred
from services.records.store import PostingState
from services.records.suite.samples import STUDY, entry, note
from services.records.task_commands import show_record_tasks
from services.records.worker import handle
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.assessed import GROUP
from tests.contract.record_samples import charges, message
from tests.contract.record_store import open_store

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.fixture
def store(database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    (tmp_path / "group.yaml").write_text(GROUP.model_dump_json())
    monkeypatch.setenv("GOMPHOSIS_STORE__URL", database_url)
    monkeypatch.setenv("GOMPHOSIS_GROUP_DIR", str(tmp_path))
    opened = open_store(database_url)
    yield opened
    opened.close()


def take(store: Store, *payloads: Payload) -> None:
    with store.begin() as connection:
        work = Work(connection, store)
        handle(work, [message(payload) for payload in payloads])
        work.flush("records")


def refuse(store: Store, key: str, words: str) -> None:
    with store.begin() as connection:
        row = postings.get(connection, key)
        assert row is not None
        work = Work(connection, store)
        said = Said(PostingOutcome.REJECTED, None, words)
        assert mark(work, row, said, message(note()).source, [PostingState.WAITING])


def run(*arguments: str) -> str:
    app = typer.Typer()
    app.command()(show_record_tasks)
    return CliRunner().invoke(app, list(arguments)).stdout


def told() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run("--json"))
    return found


def test_with_nothing_to_settle_it_says_so(store: Store) -> None:
    assert "Nothing to settle" in run()
    assert told() == {"record": [], "postings_waiting": 0, "postings": []}


def test_what_was_refused_is_listed_in_the_records_words_with_what_to_do(store: Store) -> None:
    charge, signed = entry(1).posting_key, f"note:{STUDY}:2"
    take(store, charges(entry(1), entry(2)), note(2, NoteState.SIGNED))
    refuse(store, charge, "Account closed (invented)")
    refuse(store, signed, "No such patient (invented)")

    found = told()

    assert [(one["posting_key"], one["words"]) for one in found["postings"]] == [
        (charge, "Account closed (invented)"),
        (signed, "No such patient (invented)"),
    ]
    actions = [one["next_action"] for one in found["postings"]]
    assert "charges_released" in actions[0]
    assert "note_released" in actions[1]
    assert found["postings_waiting"] == 1
    shown = run("--site", "north")
    assert "Account closed" in shown
    assert "note_released" in shown


def test_a_refused_note_that_a_newer_revision_overtook_is_nobodys_task(store: Store) -> None:
    take(store, note(1))
    refuse(store, f"note:{STUDY}:1", "Locked (invented)")

    take(store, note(2, NoteState.SIGNED))

    assert told()["postings"] == []


def test_what_bars_every_posting_comes_first_until_it_is_mended(store: Store) -> None:
    take(store, charges(entry(1)))
    with store.read() as connection:
        row = postings.get(connection, entry(1).posting_key)
    assert row is not None
    bar = Bar(store, "fhir", "records")
    bar.met(RecordBarred("certificate-10", "it has expired", "have it renewed"), Met.by(row), NOW)

    shown, found = run(), told()

    assert "The record cannot be worked with since 2026-03-02T12:00:00Z: it has expired" in shown
    assert "have it renewed" in shown
    assert "1 postings wait" in shown
    assert [one["fault"] for one in found["record"]] == ["certificate-10"]
    bar.passed(Met.by(row), NOW)
    assert told()["record"] == []
