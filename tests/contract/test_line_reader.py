"""The record read back: each day told once while it stays the same, on both databases."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from schemas.conclusions import ChargesCorrected, CorrectionEntry, EntryType
from schemas.facts import ExceptionAction, RecordLine, RecordLinesRead
from services.records import worker
from services.records.adapters.folder import FolderAdapter
from services.records.line_reader import LineReader
from services.records.port import RecordRefused, Unreadable
from services.records.poster import Poster
from services.records.suite.samples import DAY, SITE, charge_posting, correction_posting, entry
from services.runtime.migrate import migrate
from services.runtime.store import Store
from services.runtime.tables import TRIAGE
from services.runtime.worker import Work
from tests.assessed import GROUP, START
from tests.contract.record_samples import charges, message
from tests.handled import sent_of

LONG_AGO_S = 1_000_000_000
BY_HAND: dict[str, Any] = {
    "patient_id": "P-1001",
    "service_day": "2026-03-02",
    "code": "INV-IO-FIRST",
    "quantity": 1,
    "amount": "38.00",
    "currency": "EUR",
    "entered_by": "desk-1",
}


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    migrate(opened)
    yield opened
    opened.close()


@pytest.fixture
def record(tmp_path: Path) -> FolderAdapter:
    return FolderAdapter({"path": str(tmp_path / "record")})


def leave(record: FolderAdapter, name: str, content: object, *, old: bool = True) -> Path:
    path = record.path / "held" / SITE / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    if old:
        os.utime(path, (LONG_AGO_S, LONG_AGO_S))
    return path


def read(store: Store, record: FolderAdapter) -> int:
    reader = LineReader(store, record, lambda: None, GROUP, 1.0, 1)
    return reader.read(SITE, DAY - timedelta(days=3), DAY + timedelta(days=3))


def test_a_day_is_told_with_our_lines_and_those_by_hand_and_again_only_if_it_changes(
    store: Store, record: FolderAdapter
) -> None:
    record.post_charge(charge_posting())
    by_hand = leave(record, "1.json", BY_HAND)

    assert [read(store, record), read(store, record)] == [1, 0]
    (first,) = sent_of(store, RecordLinesRead)
    assert first.day == DAY
    assert [(one.posting_key, one.entered_by) for one in first.lines] == [
        (entry().posting_key, "gomphosis"),
        (None, "desk-1"),
    ]

    by_hand.unlink()
    assert read(store, record) == 1
    assert [len(one.lines) for one in sent_of(store, RecordLinesRead)] == [2, 1]


def test_a_day_whose_last_line_is_gone_is_told_as_empty(
    store: Store, record: FolderAdapter
) -> None:
    path = leave(record, "1.json", BY_HAND)
    read(store, record)
    path.unlink()

    read(store, record)

    assert [len(one.lines) for one in sent_of(store, RecordLinesRead)] == [1, 0]


def test_a_day_with_many_lines_comes_in_parts(store: Store, record: FolderAdapter) -> None:
    for number in range(1_003):
        leave(record, f"{number}.json", BY_HAND)

    read(store, record)

    first, second = sent_of(store, RecordLinesRead)
    assert (len(first.lines), len(second.lines)) == (1_000, 3)
    assert [(one.part, one.parts) for one in (first, second)] == [(1, 2), (2, 2)]
    assert len({line.line_id for one in (first, second) for line in one.lines}) == 1_003


def test_a_line_that_cannot_be_read_goes_to_triage_once_and_stops_no_other(
    store: Store, record: FolderAdapter
) -> None:
    leave(record, "1.json", BY_HAND | {"amount": "much"})
    leave(record, "2.json", BY_HAND)
    leave(record, "3.json", '{"half', old=False)

    read(store, record)
    read(store, record)

    with store.read() as connection:
        rows = connection.execute(select(TRIAGE)).all()
        assert connection.scalar(select(func.count()).select_from(TRIAGE)) == 1
    assert rows[0].field == "held line.amount"
    assert (record.path / "held" / SITE / "rejected" / "1.json").exists()
    assert (record.path / "held" / SITE / "3.json").exists(), "it may still be written"
    assert [len(one.lines) for one in sent_of(store, RecordLinesRead)] == [1]


def test_an_edited_line_says_so_and_a_rejected_one_is_not_held(
    store: Store, record: FolderAdapter
) -> None:
    for number in (1, 2):
        record.post_charge(charge_posting(entry(number)))
    one, other = sorted(record.path.glob("charges/*/*/*.json"))
    one.write_text(one.read_text().replace('"38.00"', '"12.00"'))
    answer = {"outcome": "rejected", "words": "No"}
    other.with_name(other.name + ".answer.json").write_text(json.dumps(answer))

    (line,) = record.read_lines(SITE, DAY, DAY)

    assert isinstance(line, RecordLine)
    assert (str(line.amount), line.edited) == ("12.00", True)


def test_a_damaged_entry_of_ours_stops_the_reading_rather_than_look_missing(
    record: FolderAdapter,
) -> None:
    record.post_charge(charge_posting())
    next(record.path.glob("charges/*/*/*.json")).write_text("{")

    with pytest.raises(RecordRefused):
        record.read_lines(SITE, DAY, DAY)


def test_a_link_among_the_lines_by_hand_is_not_followed(
    record: FolderAdapter, tmp_path: Path
) -> None:
    leave(record, "1.json", BY_HAND).rename(tmp_path / "secret.json")
    (record.path / "held" / SITE / "link.json").symlink_to(tmp_path / "secret.json")

    assert not [one for one in record.read_lines(SITE, DAY, DAY) if not isinstance(one, Unreadable)]


def test_a_decision_posts_again_and_corrects_once(store: Store, record: FolderAdapter) -> None:
    poster = Poster(store, record, lambda: None, 1.0)
    correction: CorrectionEntry = correction_posting("L-1").entry
    decided = ChargesCorrected(
        exception_id="00112233445566aa",
        action=ExceptionAction.POST,
        decided_by="billing-1",
        decided_at=START,
        currency="EUR",
        again=(entry().posting_key,),
        entries=(correction,),
    )
    _handle(store, charges(entry()))
    assert poster.post_due() == 1
    next(record.path.glob("charges/*/*/*.json")).unlink()  # the record loses it

    _handle(store, decided)
    _handle(store, decided)
    while poster.post_due():
        pass

    lines = [one for one in record.read_lines(SITE, DAY, DAY) if isinstance(one, RecordLine)]
    assert sorted(str(one.amount) for one in lines) == ["-38.00", "38.00"]
    assert correction.type is EntryType.CREDIT


def _handle(store: Store, payload: Any) -> None:
    with store.begin() as connection:
        work = Work(connection, store)
        worker.handle(work, [message(payload)])
        work.flush("records")
