"""The audit on SQLite and PostgreSQL: rows are added, and nothing else is done to them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from threading import Event, Thread

import pytest
from sqlalchemy import delete, insert, text, update
from sqlalchemy.exc import DBAPIError
from typer import Typer
from typer.testing import CliRunner

from services.runtime import audit, deeds
from services.runtime.audit import Counted, Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.cli.audit import show_audit
from services.runtime.cli.exits import Exit
from services.runtime.deeds import Deed
from services.runtime.migrate import migrate
from services.runtime.store import Store
from services.runtime.tables import AUDIT
from tests.servers.polling import wait_until
from tests.servers.postgresql import PostgreSQL

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
STRANGER = Refusal("dicom", "association", "calling AE title", "192.0.2.1", calling="STRANGER")


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    made = Store(database_url)
    migrate(made)
    yield made
    made.close()


def add(store: Store, *days: int) -> None:
    with store.begin() as connection:
        for day in days:
            at = AT + timedelta(days=day)
            audit.append(connection, "intake", [Counted(STRANGER, 3, at, at)])


def rows(store: Store) -> int:
    with store.read() as connection:
        return len(audit.entries(connection))


@pytest.mark.parametrize(
    "statement",
    [
        update(AUDIT).values(reason="nothing happened"),
        delete(AUDIT),
        text("UPDATE runtime_audit SET attempts = 0 WHERE id = 1"),
        text("DELETE FROM runtime_audit WHERE id = 1"),
    ],
)
def test_a_row_is_neither_changed_nor_removed(store: Store, statement: object) -> None:
    add(store, 0)

    with pytest.raises(DBAPIError, match="runtime_audit: expected"), store.begin() as connection:
        connection.execute(statement)  # type: ignore[call-overload]

    assert rows(store) == 1


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_row_is_not_replaced_on_sqlite(store: Store) -> None:
    add(store, 0)
    with store.read() as connection:
        (row,) = audit.entries(connection)

    replaced = insert(AUDIT).prefix_with("OR REPLACE").values({**row._mapping, "reason": "other"})
    with pytest.raises(DBAPIError, match="runtime_audit: expected"), store.begin() as connection:
        connection.execute(replaced)

    with store.read() as connection:
        assert audit.entries(connection) == [row]


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_the_table_is_not_emptied_on_postgresql(store: Store) -> None:
    add(store, 0)

    with pytest.raises(DBAPIError, match="runtime_audit: expected"), store.begin() as connection:
        connection.execute(text("TRUNCATE runtime_audit"))

    assert rows(store) == 1


def test_refusals_of_many_threads_are_all_counted(store: Store) -> None:
    # given
    writer, stop = AuditWriter("intake", store), Event()
    loop = Thread(target=writer.run, args=(stop,))
    loop.start()

    # when
    def attack() -> None:
        for _ in range(250):
            writer.refused(STRANGER)

    threads = [Thread(target=attack) for _ in range(4)]
    for thread in threads:
        thread.start()
    wait_until(lambda: rows(store) > 0, 20, "the first row, at once")
    for thread in threads:
        thread.join()
    stop.set()
    loop.join()

    # then
    with store.read() as connection:
        found = audit.entries(connection)
    assert sum(row.attempts for row in found) == 1_000
    assert len(found) <= 3
    assert {(row.calling, row.address, row.service) for row in found} == {
        ("STRANGER", "192.0.2.1", "intake")
    }


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_while_the_database_is_down_refusals_are_counted_and_written_once_it_is_back(
    store: Store, postgresql: PostgreSQL
) -> None:
    # given
    writer = AuditWriter("intake", store)
    postgresql.stop()
    try:
        for _ in range(5):
            writer.refused(STRANGER)
        writer.finish()  # when
    finally:
        postgresql.start()
    assert rows(store) == 0

    # then
    writer.finish()
    writer.finish()
    with store.read() as connection:
        (row,) = audit.entries(connection)
    assert row.attempts == 5


def run_command(store: Store, monkeypatch: pytest.MonkeyPatch, *arguments: str) -> str:
    monkeypatch.setenv("GOMPHOSIS_STORE__URL", store.url.render_as_string(hide_password=False))
    app = Typer()
    app.command()(show_audit)
    result = CliRunner().invoke(app, arguments, env={"COLUMNS": "200"})
    assert result.exit_code == 0, result.output
    return result.output


def test_the_command_lists_who_was_refused(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "nobody was refused" in run_command(store, monkeypatch)
    add(store, 0, 1, 2)

    everything = json.loads(run_command(store, monkeypatch, "--json"))
    of_two_days = json.loads(run_command(store, monkeypatch, "--since", "2026-03-03", "--json"))
    newest = json.loads(run_command(store, monkeypatch, "--limit", "1", "--json"))
    later = run_command(store, monkeypatch, "--since", "2026-03-04T10:00:01+01:00")

    assert [one["last_at"][:10] for one in everything] == ["2026-03-02", "2026-03-03", "2026-03-04"]
    assert [one["last_at"][:10] for one in of_two_days] == ["2026-03-03", "2026-03-04"]
    assert [one["last_at"][:10] for one in newest] == ["2026-03-04"]
    assert everything[0]["attempts"] == 3
    assert everything[0]["calling"] == "STRANGER"
    assert "nobody was refused" in later
    assert "192.0.2.1" in run_command(store, monkeypatch)


def test_a_time_that_is_none_is_refused_in_plain_words(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GOMPHOSIS_STORE__URL", store.url.render_as_string(hide_password=False))
    app = Typer()
    app.command()(show_audit)

    result = CliRunner().invoke(app, ["--since", "yesterday"])

    assert result.exit_code == Exit.FAILED


def test_what_people_did_is_listed_by_the_same_command(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "nobody did anything" in run_command(store, monkeypatch, "--deeds")
    with store.begin() as connection:
        deed = Deed("did", "group.yaml", "added site east", "north", "admin-1", "192.0.2.7", AT)
        deeds.append(connection, "console", deed)

    (one,) = json.loads(run_command(store, monkeypatch, "--deeds", "--json"))

    assert (one["person"], one["what"], one["at"][:16]) == (
        "admin-1",
        "group.yaml",
        "2026-03-02T09:00",
    )
    assert "north/admin-1" in run_command(store, monkeypatch, "--deeds")
    with store.read() as connection:
        assert deeds.entries(connection, sites=["south"]) == []
