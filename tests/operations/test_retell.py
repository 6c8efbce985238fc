"""After a broker is lost everything kept is told again, and whoever had it lets it pass."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import delete

from services.runtime.migrate import migrate
from services.runtime.operations.retell import retell
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from tests.handled import handle, sent
from tests.operations.test_retention_and_replay import facts, handler, keep_at_intake
from tests.room_facts import GROUP, STUDY


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    migrate(opened)
    yield opened
    opened.close()


def test_what_was_in_a_lost_broker_is_told_again_under_ids_that_are_known(
    store: Store, tmp_path: Path
) -> None:
    # given: facts kept by intake, assessed, and all that was published on its way lost
    told = facts(STUDY, 1, timedelta(0))
    keep_at_intake(store, told, tmp_path)
    handle(store, handler(), "assessment", told)
    first = sent(store)
    with store.begin() as connection:
        connection.execute(delete(OUTBOX))

    # when
    counts = retell(store, GROUP.name, None)

    # then: the facts as they were, and the newest of each conclusion
    again = sent(store)
    assert counts["intake"] == len(told)
    assert {one.id for one in told} <= {one.id for one in again}
    newest = {one.kind: one.payload for one in first}
    for kind, payload in newest.items():
        assert payload in [one.payload for one in again if one.kind == kind], kind

    # and: assessment, which had them, tells nothing more
    with store.begin() as connection:
        connection.execute(delete(OUTBOX))
    handle(
        store,
        handler(),
        "assessment",
        [one for one in again if one.id in {fact.id for fact in told}],
    )
    assert sent(store) == []


def test_only_what_is_young_enough_is_told_again(store: Store, tmp_path: Path) -> None:
    told = facts(STUDY, 1, timedelta(0))
    keep_at_intake(store, told, tmp_path)
    handle(store, handler(), "assessment", told)

    counts = retell(store, GROUP.name, datetime(2999, 1, 1, tzinfo=UTC))

    assert set(counts.values()) == {0}
    assert sorted(counts) == ["assessment", "charges", "intake", "notes", "records"]
