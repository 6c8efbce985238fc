"""What open pages are told of changes, over SQLite and PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from schemas.channels import EXCHANGE_OF
from schemas.errors import InvalidInput
from services.console import change_store
from services.console.changes import Changes, topic
from services.runtime.bus import Outgoing
from tests.console_support import RunningConsole, running_console
from tests.console_told import study, told
from tests.servers.polling import wait_until

NORTH = topic("study", "north", "1.2.3")


@pytest.fixture
def running(tmp_path: Path, database_url: str) -> Iterator[RunningConsole]:
    with running_console(tmp_path, database_url, max_live_pages=1) as one:
        yield one


def change(running: RunningConsole, *topics: str) -> None:
    with running.runtime.store.begin() as connection:
        running.console.changes.tell(connection, topics)
    running.console.changes.wake()


def events(lines: Iterator[str], count: int) -> list[dict[str, str]]:
    """Read so many events of a stream."""
    found: list[dict[str, str]] = []
    event: dict[str, str] = {}
    for line in lines:
        name, _, value = line.partition(": ")
        if line:
            event[name] = value
        elif "data" in event:
            found.append(event)
            event = {}
        if len(found) == count:
            break
    return found


def come_back(client: httpx.Client, address: str, last: str) -> list[dict[str, str]]:
    """Open the page's stream anew, once its old place is free."""
    with client.stream("GET", address, headers={"Last-Event-ID": last}) as live:
        return events(live.iter_lines(), 1) if live.status_code == 200 else []


def test_a_page_hears_of_its_own_topics_and_after_a_break_of_what_it_missed(
    running: RunningConsole,
) -> None:
    with running.browser("north", "vet-1") as client:
        address = f"/live?since={running.console.changes.newest()}&topic={NORTH}"

        # when: the page is open
        with client.stream("GET", address) as live:
            assert live.headers["content-type"].startswith("text/event-stream")
            change(running, topic("study", "north", "9.9"), NORTH)
            (first,) = events(live.iter_lines(), 1)
        # and while it is away
        change(running, NORTH)
        again = wait_until(lambda: come_back(client, address, first["id"]), 60, "the page's place")
        (second,) = again

    # then
    assert (first["event"], first["data"]) == ("study", NORTH)
    assert int(second["id"]) > int(first["id"])


def test_pages_are_told_when_the_worker_has_committed_and_not_at_the_next_look(
    tmp_path: Path, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given
    seen_when_woken: list[int] = []

    def wake(changes: Changes) -> None:
        seen_when_woken.append(changes.newest())

    monkeypatch.setattr(Changes, "wake", wake)
    message = told(study(1, "1.2.3"))
    with running_console(tmp_path, database_url) as running:
        before = running.console.changes.newest()

        # when
        sent = Outgoing(
            EXCHANGE_OF[message.kind], message.routing_key, str(message.id), message.encode()
        )
        running.runtime.bus.publish([sent])
        wait_until(lambda: seen_when_woken, 60, "the pages to be woken")

    # then
    assert seen_when_woken[0] > before


def test_changes_before_the_page_was_made_are_not_told_and_a_forgotten_past_wants_a_reload(
    running: RunningConsole,
) -> None:
    # given
    change(running, NORTH)
    change(running, NORTH)
    made_at = running.console.changes.newest()
    assert running.console.changes.missed(frozenset({NORTH}), made_at) == []

    # when
    with running.runtime.store.begin() as connection:
        change_store.forget_before(connection, datetime.now(UTC) + timedelta(days=1))

    # then: the newest stays, so that ids go on
    assert running.console.changes.newest() == made_at
    assert running.console.changes.missed(frozenset({NORTH}), made_at - 2) == [None]
    change(running, NORTH)
    assert running.console.changes.newest() == made_at + 1


def test_topics_of_another_site_and_wrong_ones_are_refused(running: RunningConsole) -> None:
    with running.browser("north", "vet-1") as client:
        assert client.get("/live?topic=site:south").status_code == 403
        assert client.get("/live?topic=nonsense").status_code == 422
        assert client.get("/live").status_code == 422
    with running.browser() as client:
        assert client.get("/live?topic=site:north").status_code in {303, 401}


def test_more_open_pages_than_the_settings_allow_are_refused(running: RunningConsole) -> None:
    with (
        running.browser("north", "vet-1") as client,
        running.browser("north", "lead-1") as other,
        client.stream("GET", "/live?topic=site:north") as live,
    ):
        assert live.status_code == 200
        assert other.get("/live?topic=site:north").status_code == 503


@pytest.mark.parametrize(
    "told", [("Study", "north", None), ("study", "no/rth", None), ("study", "north", "a b")]
)
@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_what_is_no_topic_is_not_written(
    running: RunningConsole, told: tuple[str, str, str | None]
) -> None:
    with pytest.raises(InvalidInput, match="topic"):
        change(running, topic(*told))
