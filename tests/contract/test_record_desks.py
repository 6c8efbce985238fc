"""What a record tells is kept, recognised and refused alike on SQLite and PostgreSQL."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from threading import Barrier, Thread
from typing import Any

import pytest
from sqlalchemy import func, select

from schemas.group import Group
from services.intake import record_store
from services.intake.fhir_desk import FhirDesk
from services.intake.fhir_look import BundleLook
from services.intake.hl7_desk import Hl7Desk
from services.intake.hl7_message import read_message
from services.intake.record_store import RECORD_MESSAGE, Cursor
from services.intake.store import FACT, ORDER
from services.runtime import triage
from services.runtime.audit_writer import AuditWriter
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import open_bus
from services.runtime.migrate import go_back, migrate
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from tests.record_inputs.codes import codes, record_group
from tests.record_inputs.fhir_resources import encounter, order, patient, weight
from tests.record_inputs.hl7_texts import joined, obr, omg, orc
from tests.servers.postgresql import PostgreSQL

GROUP = Group.model_validate_json(json.dumps(record_group()))
ADDRESS = "127.0.0.1"
AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    made = Store(database_url)
    migrate(made)
    yield made
    made.close()


@pytest.fixture
def relay(store: Store, tmp_path: Any) -> Iterator[Relay]:
    bus = open_bus(f"embedded:{tmp_path / 'bus.sqlite3'}", BusLimits(), "test")
    yield Relay("intake", store, bus)
    bus.close()


@pytest.fixture
def desk(store: Store, relay: Relay) -> Hl7Desk:
    return Hl7Desk(
        "intake", GROUP, store, relay, codes(), AuditWriter("intake", store), now=lambda: AT
    )


def told(desk: Hl7Desk, lines: list[str]) -> str:
    (answer,) = desk.take(ADDRESS, joined(lines)).messages
    return read_message(answer).one("MSA").text(1)


def count(store: Store, table: Any) -> int:
    with store.read() as connection:
        return int(connection.scalar(select(func.count()).select_from(table)) or 0)


def test_a_message_is_kept_with_its_control_id_and_known_again(store: Store, desk: Hl7Desk) -> None:
    assert [told(desk, omg()), told(desk, omg())] == ["AA", "AA"]

    assert count(store, FACT) == count(store, OUTBOX) == count(store, RECORD_MESSAGE) == 1


def test_one_wrong_order_keeps_nothing_of_its_message(store: Store, desk: Hl7Desk) -> None:
    assert told(desk, [*omg(), orc(number="2"), obr("2", "OTHER")]) == "AE"

    assert count(store, FACT) == count(store, OUTBOX) == 0
    with store.read() as connection:
        assert triage.count_open(connection) == 1


def test_a_contradiction_keeps_nothing_of_its_message(store: Store, desk: Hl7Desk) -> None:
    # given: order 1001 is known; a message tells it otherwise, and brings another
    told(desk, omg())
    other = [obr(code="INV-DENT-CAT") if line.startswith("OBR") else line for line in omg()]

    # when
    assert told(desk, [*other, orc(number="2"), obr("2")]) == "AE"

    # then
    assert count(store, FACT) == count(store, OUTBOX) == 1
    with store.read() as connection:
        (entry,) = triage.entries(connection)
    assert (entry.origin, entry.field) == ("hl7", "MSH-10")


def test_the_worklist_carries_revisions_that_are_moments(store: Store, desk: Hl7Desk) -> None:
    later = [orc("XO", f9="20260302093000+0100") if t.startswith("ORC") else t for t in omg("XO")]

    assert [told(desk, later), told(desk, omg())] == ["AA", "AA"]

    with store.read() as connection:
        (row,) = connection.execute(select(ORDER)).all()
    assert row.revision == 1_772_440_200_000_000


def test_many_connections_that_tell_one_message_at_once_keep_it_once(
    store: Store, desk: Hl7Desk
) -> None:
    # given
    barrier = Barrier(4)
    answers: list[str] = []

    def tell() -> None:
        barrier.wait()
        answers.append(told(desk, omg()))

    # when
    threads = [Thread(target=tell) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    # then
    assert answers == ["AA"] * 4
    assert count(store, FACT) == count(store, OUTBOX) == 1


def test_old_control_ids_are_forgotten_and_their_facts_still_known(
    store: Store, desk: Hl7Desk, relay: Relay
) -> None:
    # given
    told(desk, omg())
    later = AT + record_store.KEPT_FOR + timedelta(days=1)
    after = Hl7Desk(
        "intake", GROUP, store, relay, codes(), AuditWriter("intake", store), now=lambda: later
    )

    # when
    after.forget_old()

    # then
    assert count(store, RECORD_MESSAGE) == 0
    assert told(after, omg()) == "AA"
    assert count(store, FACT) == 1


def test_a_cursor_is_kept_per_type_and_moves(store: Store) -> None:
    with store.begin() as connection:
        for seen in (frozenset({"a|1|t"}), frozenset({"b|1|t", "c|2|t"})):
            record_store.move_cursor(
                connection, "north", "record-north", "Patient", Cursor(AT, seen)
            )

    with store.read() as connection:
        assert record_store.cursor(connection, "north", "record-north", "Patient") == Cursor(
            AT, frozenset({"b|1|t", "c|2|t"})
        )
        assert record_store.cursor(connection, "north", "record-north", "Observation") is None


def test_a_resource_is_kept_once_and_a_wrong_one_is_in_triage(store: Store, relay: Relay) -> None:
    # given
    desk = FhirDesk("intake", GROUP, store, relay, codes())
    site = GROUP.site("north")
    record = site.device("record-north")
    assert record is not None
    look = BundleLook([patient(), encounter(), weight()], codes())

    # when
    taken = [desk.take(site, record, order(), look) for _ in range(2)]
    wrong = desk.take(site, record, order(status="lost"), look)

    # then
    assert [one.refusal for one in taken] == [None, None]
    assert count(store, FACT) == count(store, OUTBOX) == 1
    assert wrong.refusal is not None
    with store.read() as connection:
        (entry,) = triage.entries(connection)
    assert (entry.origin, entry.field, entry.kind) == (
        "fhir",
        "ServiceRequest.status",
        "ServiceRequest",
    )


def test_what_was_refused_is_settled_by_its_sender_not_by_replay(
    store: Store, desk: Hl7Desk
) -> None:
    told(desk, [obr(code="OTHER") if line.startswith("OBR") else line for line in omg()])

    with store.begin() as connection, pytest.raises(triage.TriageError, match="sender send it"):
        triage.replay(connection, triage.entries(connection)[0].id)


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_while_the_database_is_down_messages_are_rejected_and_taken_once_it_is_back(
    store: Store, desk: Hl7Desk, postgresql: PostgreSQL
) -> None:
    # given
    postgresql.stop()
    try:
        # when
        (answer,) = desk.take(ADDRESS, joined(omg())).messages
    finally:
        postgresql.start()

    # then
    refused = read_message(answer)
    assert refused.one("MSA").text(1) == "AR"
    assert refused.one("ERR").text(3) == "207"
    assert told(desk, omg()) == "AA"
    assert count(store, FACT) == 1


def test_the_tables_go_away_with_their_revision(store: Store, desk: Hl7Desk) -> None:
    told(desk, omg())

    go_back(store, "0008")

    with store.read() as connection:
        assert not connection.dialect.has_table(connection, "intake_cursor")
        assert not connection.dialect.has_table(connection, "intake_record_message")
    assert migrate(store) is not None
