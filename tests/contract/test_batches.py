"""Many rows in one statement, alike on both databases: what workers read and write by the batch."""

from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest

from services.assessment.room_day_store import ROOM_DAY
from services.charges.reconcile_tables import STUDY_DAY
from services.runtime.by_keys import rows_of, rows_of_studies
from services.runtime.store import Store
from services.runtime.tables import INBOX
from services.runtime.upsert import add_new_rows, add_rows

DAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
ODD = 'it\'s "odd" \\ ü[,]'
"""A name that is a text like any other, not a piece of SQL or JSON."""


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    yield opened
    opened.close()


def study_day(site: str, study: str, day: date = DAY) -> dict[str, object]:
    return {"site": site, "day": day, "study_instance_uid": study}


def room_day(room: str, day: date, revision: int) -> dict[str, object]:
    told = {"revision": revision, "digest": "0", "body": "{}"}
    return {"site": "north", "room": room, "day": day} | told


def test_rows_of_just_the_asked_studies_are_read_each_by_its_own_site(store: Store) -> None:
    kept = [("north", "2.25.1"), ("north", "2.25.2"), ("south", "2.25.1"), ("north", ODD)]
    asked = [("north", "2.25.1"), ("south", "2.25.2"), ("north", ODD), ("north", ODD)]
    with store.begin() as connection:
        add_rows(connection, STUDY_DAY, [study_day(site, study) for site, study in kept])

        rows = rows_of_studies(connection, list(STUDY_DAY.c), set(asked))

    assert {(row.site, row.study_instance_uid) for row in rows} == {asked[0], asked[2]}
    assert {row.day for row in rows} == {DAY}


def test_nothing_is_asked_where_no_key_is(store: Store) -> None:
    with store.begin() as connection:
        assert rows_of_studies(connection, list(STUDY_DAY.c), []) == []
        assert add_new_rows(connection, INBOX, []) == set()


def test_a_day_is_part_of_a_key_like_a_text(store: Store) -> None:
    other = date(2026, 3, 3)
    with store.begin() as connection:
        rows = [room_day("dental-1", DAY, 3), room_day("dental-1", other, 4)]
        add_rows(connection, ROOM_DAY, rows)

        columns = (ROOM_DAY.c.day, ROOM_DAY.c.revision)
        found = rows_of(
            connection, columns, tuple(ROOM_DAY.primary_key), [("north", "dental-1", other)]
        )

    assert [tuple(row) for row in found] == [(other, 4)]


@pytest.mark.parametrize("number", [1, 7, 1_200])
def test_of_many_rows_just_the_new_ones_are_told_each_once(store: Store, number: int) -> None:
    def marks(*ids: str) -> list[dict[str, object]]:
        return [{"service": "bench", "message_id": one, "handled_at": NOW} for one in ids]

    ids = [f"message-{one}" for one in range(number)]
    with store.begin() as connection:
        add_new_rows(connection, INBOX, marks(*ids[: number // 2]))

        new = add_new_rows(connection, INBOX, marks(*ids, ids[-1]))

        assert new == {("bench", one) for one in ids[number // 2 :]}
        assert add_new_rows(connection, INBOX, marks(*ids)) == set()
