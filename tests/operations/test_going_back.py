"""The newest revisions up and down with work in flight, on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from threading import Event, Thread

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

from schemas.channels import ASSESSMENT, SUBSCRIPTIONS
from services.assessment.store import kept_assessment
from services.assessment.worker import AssessmentHandler
from services.runtime import outbox
from services.runtime.bus import BusLimits
from services.runtime.bus_embedded import EmbeddedBus
from services.runtime.migrate import _config, current_revision, go_back, migrate, wanted_revision
from services.runtime.operations.going_back import LOST_BELOW, CannotGoBack, expect_can_go_back
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.worker import Worker
from tests.room_facts import GROUP, RULES, STUDY, exposure, image, order
from tests.servers.polling import wait_until

REVISIONS = [one.revision for one in ScriptDirectory.from_config(_config()).walk_revisions()]
"""Newest first."""


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    migrate(opened)
    yield opened
    opened.close()


def tables(store: Store) -> dict[str, set[str]]:
    with store.read() as connection:
        asked = inspect(connection)
        return {
            name: {column["name"] for column in asked.get_columns(name)}
            for name in asked.get_table_names()
        }


def in_flight(store: Store) -> list[tuple[object, ...]]:
    with store.read() as connection:
        rows = connection.execute(text("SELECT message_id, body FROM runtime_outbox ORDER BY id"))
        return [(row.message_id, bytes(row.body)) for row in rows]


def test_each_revision_that_may_be_gone_back_from_goes_back_and_forth_alike(store: Store) -> None:
    newest = tables(store)
    floor = max(LOST_BELOW)

    for revision in [one for one in REVISIONS[1:5] if one >= floor]:
        go_back(store, revision)
        assert current_revision(store) == revision
        migrate(store)
        assert tables(store) == newest, f"up from {revision}"


def test_work_in_flight_outlives_the_step_back_and_the_step_forth(
    store: Store, tmp_path: Path
) -> None:
    # given: facts in the outbox of the newest version, and others that lie in a queue already
    told = [order(), exposure(1, 0), image(1, 2), exposure(2, 60), image(2, 62)]
    bus = EmbeddedBus(tmp_path / "bus.sqlite", BusLimits())
    bus.declare(SUBSCRIPTIONS)
    relay = Relay("intake", store, bus)
    with store.begin() as connection:
        outbox.put(connection, "intake", told[:3])
    relay.drain_page()
    with store.begin() as connection:
        outbox.put(connection, "intake", told[3:])
    waiting = in_flight(store)

    # when: back by two, where the older version would run, and forth again
    go_back(store, REVISIONS[2])
    assert in_flight(store) == waiting
    migrate(store)

    # then: it is all there, and drains into the assessment that it would have given
    assert in_flight(store) == waiting
    relay.drain_page()
    worker = Worker(
        "assessment",
        ASSESSMENT,
        store,
        bus,
        Relay("assessment", store, bus),
        AssessmentHandler(GROUP, {"north": RULES}),
    )
    stop = Event()
    thread = Thread(target=worker.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: not bus.depth("assessment") and _images(store) == 2, 30, "the queue")
    finally:
        stop.set()
        thread.join()
        bus.close()
    assert in_flight(store), "and what follows waits to be published"


def _images(store: Store) -> int:
    with store.read() as connection:
        assessed = kept_assessment(connection, "north", STUDY)
    return 0 if assessed is None else len(assessed.images)


def test_a_step_that_would_lose_what_nothing_makes_anew_is_refused_with_its_reason() -> None:
    newest = wanted_revision()

    for revision in REVISIONS[1:]:
        lost = any(revision < below for below in LOST_BELOW)
        if not lost:
            expect_can_go_back(newest, revision, accept=True)
            continue
        with pytest.raises(CannotGoBack, match="restore a backup"):
            expect_can_go_back(newest, revision)


def test_what_a_step_forgets_is_named_before_it_is_taken() -> None:
    with pytest.raises(CannotGoBack, match=r"--accept-loss.*who settled entries of the triage"):
        expect_can_go_back("0026", "0025")


@pytest.mark.parametrize("revision", ["9999", "base", "", "head"])
def test_only_an_older_revision_is_gone_back_to(revision: str) -> None:
    with pytest.raises(CannotGoBack, match="expected one before"):
        expect_can_go_back(wanted_revision(), revision)
