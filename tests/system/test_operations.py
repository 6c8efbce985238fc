"""The pages of who keeps the system running, over the real application, with parts of it away."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import event, select

from schemas.errors import InvalidInput
from schemas.messages import parse
from services.console.operations.lookout import Lookout
from services.console.operations.triage_lines import DISCARD_REASONS
from services.runtime import audit, deeds, outbox, triage
from services.runtime.audit import Counted, Refusal
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import open_bus
from services.runtime.tables import OUTBOX
from tests.console_support import RunningConsole, running_console
from tests.messages import clock_read
from tests.servers.ports import free_port

STORED = "<script>alert('invented')</script>\x00\u202e"


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningConsole]:
    nobody = {
        name: f"http://127.0.0.1:{free_port()}"
        for name in ("assessment", "charges", "console", "intake", "notes", "records")
    }
    folder = tmp_path_factory.mktemp("console")
    with running_console(
        folder,
        taps_per_minute=10_000,
        service_urls=nobody,
        intake_url=f"http://127.0.0.1:{free_port()}",
        backup_mark=folder / "backup-made",
    ) as one:
        yield one


@pytest.fixture
def admin(running: RunningConsole) -> Iterator[httpx.Client]:
    with running.browser("north", "admin-all") as client:
        client.headers["X-CSRF-Token"] = running.csrf(client)
        yield client


def kept(running: RunningConsole, site: str = "north", origin: str = "http", **values: Any) -> int:
    """Put a fact with a wrong field into the triage; give its number."""
    body = json.loads(clock_read(site=site, group="invented-group").encode())
    body["payload"]["device"] = values.get("device", "A B")
    error = InvalidInput("payload.device", values.get("device", "A B"), "a short name")
    with running.runtime.store.begin() as connection:
        entry = triage.Kept("intake", origin, error, json.dumps(body).encode(), "clock_read")
        triage.keep(connection, [entry])
        return int(triage.entries(connection, limit=100_000)[-1].id)


def entry(running: RunningConsole, number: int) -> Any:
    with running.runtime.store.read() as connection:
        return triage.entry(connection, number)


def text_of(page: httpx.Response) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page.text)))


def test_with_every_service_away_the_page_says_so_first_and_what_to_do(
    running: RunningConsole, admin: httpx.Client
) -> None:
    running.console.operations.lookout.look()

    page = admin.get("/operations")
    words = text_of(page)

    assert page.status_code == 200
    assert words.index("The charges service has not answered for") < words.index("Queue Waiting")
    assert "docker compose up -d charges" in words
    assert "There is no sign of any backup" in words
    assert "Looked at" in words


def test_with_the_broker_away_the_page_says_what_waits_and_goes_on(
    running: RunningConsole, admin: httpx.Client, tmp_path: Path
) -> None:
    # given: nobody listens where the broker should be, and something waits to be published
    operations = running.console.operations
    away = open_bus(
        f"amqp://127.0.0.1:{free_port()}/", BusLimits(confirm_timeout_s=2.0), "gomphosis-test"
    )
    store = running.runtime.store
    with store.begin() as connection:
        outbox.put(connection, "notes", [clock_read(site="north", group="invented-group")])
    lookout = Lookout(operations.settings, store, away)
    running.console.operations = replace(operations, lookout=lookout)
    try:
        # when
        lookout.look()
        page = admin.get("/operations")
    finally:
        running.console.operations = operations
        away.close()

    # then
    words = text_of(page)
    assert page.status_code == 200
    assert "act now The message broker has not answered for" in words
    assert re.search(r"is still taken in: [1-9]\d* messages? wait in the outboxes", words)
    assert "docker compose up -d rabbitmq" in words


def test_what_it_asks_of_the_audit_is_answered_by_an_index(running: RunningConsole) -> None:
    since = datetime.now(UTC)
    plans = []
    with running.runtime.store.read() as connection:

        @event.listens_for(connection, "before_cursor_execute")
        def _note(_c: Any, cursor: Any, statement: str, told: Any, _x: Any, _m: bool) -> None:
            if statement.startswith("SELECT"):
                plans.append(
                    str(cursor.execute(f"EXPLAIN QUERY PLAN {statement}", told).fetchall())
                )

        deeds.entries(connection, since, 20, ["north"])
        audit.entries(connection, since, 20, ["north"])
        triage.count_open(connection)

    assert len(plans) == 3
    for plan in plans:
        assert "USING" in plan, plan
        assert "INDEX ix_runtime_" in plan, plan
        assert "TEMP B-TREE" not in plan, plan


def test_a_backup_counts_from_when_its_file_was_touched(
    running: RunningConsole, admin: httpx.Client
) -> None:
    mark = running.console.settings.backup_mark
    assert mark is not None
    mark.touch()
    running.console.operations.lookout.look()

    assert "the last is" in text_of(admin.get("/operations/now"))


def test_who_was_refused_and_who_did_what_is_shown_to_whom_it_concerns(
    running: RunningConsole, admin: httpx.Client
) -> None:
    now = datetime.now(UTC)
    with running.runtime.store.begin() as connection:
        told = [
            Counted(
                Refusal("dicom", f"association {site}", "not listed", "192.0.2.1", site),
                3,
                now,
                now,
            )
            for site in ("north", "south")
        ]
        audit.append(connection, "intake", told)

    all_of_it = text_of(admin.get("/operations"))
    assert "association north at dicom, 3 times" in all_of_it
    assert "association south" in all_of_it
    with running.browser("north", "admin-1") as client:
        own = text_of(client.get("/operations"))
        assert "association north" in own
        assert "association south" not in own
        assert client.get("/operations?at=south").status_code == 403


def test_what_could_not_be_used_is_shown_as_text_and_never_as_markup(
    running: RunningConsole, admin: httpx.Client
) -> None:
    number = kept(running, device=STORED)

    for path in ("/operations/triage", f"/operations/triage/{number}"):
        page = admin.get(path)
        assert page.status_code == 200
        assert "<script>alert" not in page.text
        assert "&lt;script&gt;" in page.text
        assert "\x00" not in page.text
        assert "\u202e" not in page.text


def test_an_edited_copy_goes_in_as_a_new_offer_and_the_original_stays(
    running: RunningConsole, admin: httpx.Client
) -> None:
    # given
    number = kept(running)
    before = entry(running, number).body
    page = admin.get(f"/operations/triage/{number}")
    shown = re.search(r"<textarea[^>]*>(.*?)</textarea>", page.text, re.DOTALL)
    assert shown is not None
    typed = html.unescape(shown[1])

    # when it is still wrong
    wrong = admin.post(f"/operations/triage/{number}/replay", data={"body": typed})
    # then
    assert wrong.status_code == 422
    assert "Nothing was sent. payload.device: expected" in text_of(wrong)
    assert entry(running, number).state == "open"

    # when it is mended
    mended = typed.replace('"A B"', '"generator-1"')
    sent = admin.post(f"/operations/triage/{number}/replay", data={"body": mended})

    # then
    assert sent.headers["location"] == "/operations/triage?told=sent"
    after = entry(running, number)
    assert (after.state, after.body, after.settled_by) == ("replayed", before, "north/admin-all")
    offered = parse(after.sent_body)
    assert str(offered.id) == after.sent_message_id
    assert str(offered.causation_id) == json.loads(before)["id"]
    assert "The edited copy that was sent" in admin.get(f"/operations/triage/{number}").text
    with running.runtime.store.read() as connection:
        rows = connection.execute(select(OUTBOX.c.exchange).where(OUTBOX.c.service == "intake"))
        assert set(rows.scalars()) == {"gomphosis.offers"}
        last = deeds.entries(connection)[-2]
    assert (last.did, last.about) == ("did", f"entry {number}")

    # and once more: it is settled
    again = admin.post(f"/operations/triage/{number}/replay", data={"body": mended})
    assert again.status_code == 422


def test_entries_of_one_cause_are_settled_together_with_a_reason(
    running: RunningConsole, admin: httpx.Client
) -> None:
    numbers = [kept(running, origin="hl7", device=f"{n} X") for n in range(3)]
    listed = admin.get("/operations/triage")
    told = ",".join(map(str, numbers))
    assert f'value="{told}"' in listed.text
    assert "complete record_codes.yaml" in text_of(listed)

    without = admin.post("/operations/triage/bulk", data={"act": "discard", "entries": told})
    assert without.status_code == 422
    form = {"act": "discard", "entries": told, "reason": DISCARD_REASONS[0], "words": "by phone"}
    done = admin.post("/operations/triage/bulk", data=form)

    assert done.headers["location"] == "/operations/triage?told=discard-3-0"
    assert "3 discarded" in text_of(admin.get("/operations/triage?told=discard-3-0"))
    assert {entry(running, number).settled_reason for number in numbers} == {
        f"{DISCARD_REASONS[0]}: by phone"
    }
    left = admin.post("/operations/triage/bulk", data={"act": "replay", "entries": told})
    assert left.headers["location"] == "/operations/triage?told=replay-0-3"


def test_an_entry_of_another_site_is_neither_shown_nor_settled(running: RunningConsole) -> None:
    own, other = kept(running, "north"), kept(running, "south")

    with running.browser("north", "admin-1") as client:
        client.headers["X-CSRF-Token"] = running.csrf(client)
        page = client.get("/operations/triage").text
        assert f"/operations/triage/{own}" in page
        assert f"/operations/triage/{other}" not in page
        assert client.get(f"/operations/triage/{other}").status_code == 403
        form = {"reason": DISCARD_REASONS[0]}
        refused = client.post(f"/operations/triage/{other}/discard", data=form)
        done = client.post(f"/operations/triage/{own}/discard", data=form)
    assert refused.status_code == 403
    assert done.status_code == 303
    assert (entry(running, own).state, entry(running, other).state) == ("discarded", "open")


def test_the_checks_name_the_next_step(running: RunningConsole, admin: httpx.Client) -> None:
    page = admin.get("/operations/checks/now")
    words = text_of(page)

    assert "Next step" in words
    assert "good store : reached, schema" in words
    assert "good console token : that of console-1 of north" in words
    assert "not good intake's door" in words
    assert "not good answers : no answer from" in words
    assert admin.get("/operations/checks", headers={"HX-Request": "true"}).status_code == 200
