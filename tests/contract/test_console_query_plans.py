"""Every question of a page is answered by an index, on both databases."""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, event, text

from services.console import (
    paging,
    views_chairside,
    views_charges,
    views_lead,
    views_notes,
    views_operations,
)
from services.console.charges.bills import bills_of_day
from services.console.lead.tables import SITE_COUNTS
from services.console.notes import lists as note_lists
from services.console.notes.following import own_deeds
from services.console.notes.revisions import revisions_of
from services.console.notes.sent_store import sent_of
from services.console.views_lead import Asked, By
from services.runtime.store import Store
from tests.assessed import START, STUDY
from tests.console_told import (
    DAY,
    hear,
    note,
    study,
    told,
)

MARCH = Asked(date(2026, 3, 1), date(2026, 3, 31))
NORTH = Asked(date(2026, 3, 1), date(2026, 3, 31), ("north",))
DAYS = Asked(DAY, DAY + timedelta(days=6), ("north",))
RAGGED = Asked(DAY, date(2026, 5, 6), ("north",))


@dataclass(slots=True)
class Asking:
    """The statements that views sent, with their parameters."""

    sent: list[tuple[str, Any]] = field(default_factory=list)


@contextmanager
def _listening(store: Store) -> Iterator[Asking]:
    asking = Asking()

    def note_down(
        _connection: Connection, _cursor: Any, statement: str, parameters: Any, *_rest: Any
    ) -> None:
        if "console_" in statement:
            asking.sent.append((statement, parameters))

    event.listen(store.engine, "before_cursor_execute", note_down)
    try:
        yield asking
    finally:
        event.remove(store.engine, "before_cursor_execute", note_down)


def _ask_everything(connection: Connection) -> None:
    views_chairside.room_board(connection, "north", "dental-1", DAY)
    views_chairside.study_board(connection, "north", STUDY)
    first = views_notes.waiting_notes(connection, None).next
    assert first is not None
    for sites in (None, ["north"]):
        views_notes.waiting_notes(connection, sites)
        views_notes.waiting_notes(connection, sites, first)
        views_charges.exceptions(connection, sites)
        views_charges.month(connection, sites, DAY)
        views_operations.open_questions(connection, sites)
        views_operations.missing_codes(connection, sites)
    views_notes.all_notes(connection, "north")
    for shown in note_lists.Shown:
        note_lists.listed(connection, "north", shown)
        for forward in (True, False):
            note_lists.beside(connection, "north", shown, STUDY, START, forward=forward)
    note_lists.next_to_sign(connection, "north", STUDY, START, {"signature"}, ["2.25.1"])
    note_lists.counts(connection, "north")
    own_deeds(connection, "north", "north/vet-1", START)
    sent_of(connection, "north", STUDY)
    revisions_of(connection, "north", STUDY)
    views_notes.count_waiting(connection, "north")
    views_notes.one_note(connection, "north", STUDY)
    bills_of_day(connection, "north", DAY)
    views_charges.one_bill(connection, "north", STUDY)
    views_charges.corrections(connection, "north")
    views_operations.devices(connection, "north")
    views_operations.clock_stands(connection, "north", ["dental-1"])
    views_operations.storage_by_day(connection, DAY, DAY)
    for by in By:
        views_lead.figures_by(connection, NORTH, by)
        views_lead.figures_by(connection, DAYS, by)
        views_lead.figures_by(connection, RAGGED, by)
        if by not in {By.OPERATOR, By.DEVICE}:
            views_lead.figures_by(connection, MARCH, by)
            views_lead.figures_by(connection, MARCH, by, SITE_COUNTS)
    for asked in (MARCH, NORTH, DAYS, RAGGED):
        views_lead.reject_reasons(connection, asked)
        views_lead.reject_trend(connection, asked)
    views_lead.named_lines(connection, MARCH, By.SITE, ["north", "south"])
    views_lead.named_lines(connection, DAYS, By.TIME, [DAY.isoformat()])


def test_every_question_of_a_page_is_answered_by_an_index(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paging, "PAGE_ROWS", 4)
    uids = [f"2.25.{number}" for number in range(9)]
    hear(store, [told(study(1, uid, closed=True)) for uid in uids])
    hear(store, [told(note(1, uid)) for uid in uids])
    with _listening(store) as asking, store.read() as connection:
        _ask_everything(connection)

    assert len(asking.sent) > 40
    with store.read() as connection:
        for statement, parameters in asking.sent:
            plan = _plan(connection, statement, parameters)
            walked = _walked(statement, plan)
            assert not walked, f"{statement}\n{plan}"


_WALK = re.compile(r"^SCAN console_\w+(?! USING)(?!\w)|Seq Scan on console_\w+", re.MULTILINE)
_WALK_OF_INDEX = re.compile(r"^SCAN console_\w+ USING", re.MULTILINE)


def _walked(statement: str, plan: str) -> list[str]:
    """Find the tables that are read from end to end; a page may begin at an index's end."""
    found: list[str] = _WALK.findall(plan)
    if "LIMIT" not in statement:
        found += _WALK_OF_INDEX.findall(plan)
    return found


def _plan(connection: Connection, statement: str, parameters: Any) -> str:
    if connection.dialect.name == "sqlite":
        rows: Sequence[Any] = connection.exec_driver_sql(
            f"EXPLAIN QUERY PLAN {statement}", parameters
        ).all()
        return "\n".join(row[3] for row in rows)
    # A table of a test is so small that walking it is cheap; what is asked is whether it must be.
    connection.execute(text("SET LOCAL enable_seqscan = off"))
    rows = connection.exec_driver_sql(f"EXPLAIN {statement}", parameters).all()
    return "\n".join(row[0] for row in rows)
