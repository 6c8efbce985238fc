"""The SQL adapter by the contract suite, on each database, and by day while the job works."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date

import pytest

from schemas.facts import RecordLine
from services.records.adapters.sql import SqlAdapter
from services.records.port import ChargePosting, NotePosting, Unreadable
from services.records.suite import RecordCases
from services.records.suite.given import Away, Open, Refuse
from services.records.suite.line_cases import LineCases
from tests.record_stand_ins.sql_server import SqlServer


class TestWhileTheJobRests(RecordCases):
    @pytest.fixture
    def open_record(self, record_side: SqlServer) -> Open:
        return record_side.adapter

    @pytest.fixture
    def refuse(self, record_side: SqlServer) -> Refuse:
        def by_a_trigger(posting: ChargePosting | NotePosting, words: str) -> None:
            table = "note" if isinstance(posting, NotePosting) else "charge"
            record_side.control(guard={"table": table, "key": posting.key, "words": words})

        return by_a_trigger

    @pytest.fixture
    def away(self, record_side: SqlServer) -> Away:
        return record_side.away

    @pytest.fixture
    def lose_next_answer(self, record_side: SqlServer) -> Callable[[], None]:
        if record_side.is_sqlite:
            pytest.skip("a file has no way on which an answer is lost: see test_killed")

        def cut_off() -> None:
            record_side.control(proxy=["cut_after"])

        return cut_off


class TestLinesWhileTheJobWorks(LineCases):
    @pytest.fixture
    def open_record(self, record_side: SqlServer) -> Open:
        class Booked(SqlAdapter):
            """Whatever is read by day was taken up by the record's job before."""

            def read_lines(
                self, site: str, first: date, last: date
            ) -> Iterable[RecordLine | Unreadable]:
                record_side.work()
                return super().read_lines(site, first, last)

        return lambda: record_side.adapter(Booked)
