"""What the assessment reads for one more fact is found by an index, however much is kept."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import event, text

from services.assessment.fact_names import settle_names
from services.assessment.patient_facts import facts_of_patients
from services.assessment.room_day import RoomDay
from services.assessment.room_day_facts import facts_of_room_day
from services.runtime.store import Store

# Enough that PostgreSQL would rather use an index; no body is read, since nothing is found.
_KEPT = text(
    "INSERT INTO assessment_fact"
    " (site, natural_key, kind, room, moment, study_instance_uid, about, patient_id, body) "
    "SELECT 'north', 'invented:' || n, 'image_stored', 'dental-' || n % 2,"
    " timestamptz '2026-01-01 00:00+00' + n * interval '1 minute', '2.25.' || n / 14,"
    " 'about:' || n / 14, 'INV-' || n / 14, ''::bytea FROM generate_series(1, 20000) AS n"
)
LATER = datetime(2027, 1, 1, tzinfo=UTC)


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    with opened.begin() as connection:
        connection.execute(_KEPT)
    with opened.engine.connect() as plain:
        plain.execution_options(isolation_level="AUTOCOMMIT").execute(text("VACUUM ANALYZE"))
    yield opened
    opened.close()


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_no_question_reads_all_facts(store: Store) -> None:
    # given
    asked: list[tuple[str, Any]] = []

    def note_down(_c: Any, _cursor: Any, statement: str, parameters: Any, *_rest: Any) -> None:
        asked.append((statement, parameters))

    event.listen(store.engine, "before_cursor_execute", note_down)

    # when
    with store.begin() as connection:
        where = RoomDay("north", "dental-1", date(2027, 1, 1))
        window = (LATER, LATER + timedelta(days=1))
        rooms = ["dental-0", "dental-1"]
        found = facts_of_room_day(connection, where, window, ["2.25.nowhere"], rooms)
        found += facts_of_patients(connection, "north", ["INV-nobody"], LATER)
        settle_names(connection, "north", {"invented:nothing"})
    event.remove(store.engine, "before_cursor_execute", note_down)

    # then
    assert found == []
    of_facts = [one for one in asked if "assessment_fact" in one[0]]
    assert len(of_facts) >= 5
    with store.read() as connection:
        for statement, parameters in of_facts:
            rows = connection.exec_driver_sql(f"EXPLAIN {statement}", parameters).scalars()
            plan = "\n".join(rows)
            assert "Seq Scan on assessment_fact" not in plan, f"{statement}\n{plan}"
