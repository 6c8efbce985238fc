"""The pages of who keeps the system running, in a browser, over invented troubles."""

from __future__ import annotations

import json
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Page, expect

from schemas.channels import SUBSCRIPTIONS, Exchange
from schemas.errors import InvalidInput
from services.console.operations.group_text import with_device
from services.runtime import triage
from services.runtime.bus import BusLimits, Outgoing
from services.runtime.bus_choice import open_bus
from services.runtime.health import HealthServer
from services.runtime.settings import HealthSettings, Settings
from services.runtime.store import Store
from tests.browser.desk import Desk
from tests.browser.looking import look
from tests.console_told import a_day, hear, study, told
from tests.messages import clock_read

SLOW_MS = 90_000
pytestmark = pytest.mark.timeout(600)  # six pictures of a long page, on a busy machine
DEVICES = (
    {"name": "generator-1", "kind": "generator", "room": "dental-1", "serial": "INVENTED-0001"},
    {
        "name": "station-1",
        "kind": "station",
        "room": "dental-1",
        "ae_title": "STATION1",
        "addresses": ["127.0.0.0/8"],
    },
)


class Services:
    """The health servers of services, on the ports where the console looks for them."""

    def __init__(self, desk: Desk) -> None:
        told = json.loads(desk._environment["GOMPHOSIS_CONSOLE__SERVICE_URLS"])
        self._ports = {name: urlsplit(url).port or 0 for name, url in told.items()}
        self._running: list[HealthServer] = []

    def start(self, *names: str) -> None:
        for name in names:
            server = HealthServer(
                HealthSettings(),
                self._ports[name],
                healthy=lambda: {"worker": True},
                ready=lambda: {"worker": True},
                about=lambda: {"version": "0.1.0", "record_adapter": "folder"},
                checks=lambda: [{"name": "record (folder)", "good": True, "words": "reached"}],
            )
            server.start()
            self._running.append(server)

    def stop(self) -> None:
        for server in self._running:
            server.stop()


@pytest.fixture(scope="module")
def services(desk: Desk) -> Iterator[Services]:
    """All services but charges answer; devices were heard; messages wait for charges."""
    folder = desk.log.parent
    file = folder / "group.yaml"
    text = file.read_text()
    for device in DEVICES:
        text = with_device(text, "north", device)
    file.write_text(text)
    settings = Settings(data_dir=folder, group_dir=folder)
    store = Store(settings.store_url)
    hear(store, a_day())
    store.close()
    bus = open_bus(settings.bus_url, BusLimits(), "test")
    bus.declare(SUBSCRIPTIONS)
    given = [told(study(number)) for number in range(1, 41)]
    bus.publish(
        [
            Outgoing(Exchange.CONCLUSIONS, one.routing_key, str(one.id), one.encode())
            for one in given
        ]
    )
    bus.close()
    made = Services(desk)
    made.start("assessment", "intake", "notes", "records")
    yield made
    made.stop()


def keep_bad_facts(desk: Desk) -> None:
    folder = desk.log.parent
    store = Store(Settings(data_dir=folder, group_dir=folder).store_url)
    entries = []
    for number in range(3):
        body = clock_read(number, site="north", group="invented-group").encode()
        bad = body.replace(b'"device":"generator-1"', b'"device":"Generator 1 <b>"')
        error = InvalidInput("payload.device", "Generator 1 <b>", "a short name of ours")
        entries.append(triage.Kept("intake", "http", error, bad, "clock_read"))
    with store.begin() as connection:
        triage.keep(connection, entries)
    store.close()


def test_at_night_the_page_says_first_what_is_wrong_and_then_that_all_is_well(
    desk: Desk, page: Page, services: Services
) -> None:
    # given
    desk.sign_in(page, "admin-all")
    page.goto(f"{desk.url}/operations")

    # then
    first = page.locator(".findings li").first
    expect(first).to_contain_text("The charges service has not answered for", timeout=SLOW_MS)
    expect(first).to_contain_text("waiting", timeout=SLOW_MS)
    expect(first).to_contain_text("docker compose up -d charges")
    expect(page.get_by_role("row", name="station-1")).to_be_visible(timeout=SLOW_MS)
    look(page, "operations")

    # when it is started, the open page tells it by itself
    services.start("charges")
    expect(page.get_by_text("The charges service has not answered")).to_be_hidden(timeout=SLOW_MS)


def test_a_fact_that_could_not_be_used_is_edited_and_sent_by_keyboard(
    desk: Desk, page: Page, services: Services
) -> None:
    # given
    keep_bad_facts(desk)
    desk.sign_in(page, "admin-1")
    page.goto(f"{desk.url}/operations/triage")
    expect(page.get_by_role("heading", level=2)).to_contain_text("3 × clock_read, told over HTTP")
    look(page, "triage")

    # when
    page.get_by_role("link", name="no. ").first.press("Enter")
    expect(page.get_by_role("region", name="What came")).to_contain_text("Generator 1 <b>")
    look(page, "triage-entry")
    box = page.get_by_label("Or edit a copy")
    box.fill(box.input_value().replace("Generator 1 <b>", "generator-1"))
    page.get_by_role("button", name="Send the edited copy").press("Enter")

    # then
    expect(page.get_by_role("status").first).to_contain_text("on its way again")
    expect(page.get_by_role("heading", level=2)).to_contain_text("2 × clock_read")

    # and the others are discarded together
    page.get_by_text("Discard all…").click()
    page.get_by_role("button", name="Discard 2").press("Enter")
    expect(page.get_by_text("Nothing waits.")).to_be_visible()


def test_the_checks_come_by_themselves_with_the_next_step(
    desk: Desk, page: Page, services: Services
) -> None:
    desk.sign_in(page, "admin-1")
    page.goto(f"{desk.url}/operations/checks")

    expect(page.get_by_role("heading", name="Next step")).to_be_visible(timeout=SLOW_MS)
    expect(page.get_by_text("that of console-1 of north")).to_be_visible()
    look(page, "checks")


def test_a_device_is_added_by_keyboard_with_errors_by_field(
    desk: Desk, page: Page, services: Services
) -> None:
    # given
    desk.sign_in(page, "admin-1")
    page.goto(f"{desk.url}/operations/group")
    expect(page.get_by_role("heading", name="In force")).to_be_visible(timeout=SLOW_MS)
    page.get_by_role("link", name="Invented Hospital North").last.press("Enter")

    # when a field is wrong
    page.get_by_label("Kind").select_option("tablet")
    page.get_by_label("Short name").fill("Tablet 1")
    page.get_by_label("Make a token for it").check()
    page.get_by_role("button", name="Look at the difference").press("Enter")
    expect(page.get_by_role("alert").first).to_contain_text("Nothing was changed")
    look(page, "group-device")

    # when it is mended
    page.get_by_label("Short name").fill("tablet-1")
    page.get_by_role("button", name="Look at the difference").press("Enter")
    expect(page.get_by_role("region", name="The difference")).to_contain_text("name: tablet-1")
    look(page, "group-difference")
    page.get_by_role("button", name="Change the file now").press("Enter")

    # then
    expect(page.get_by_role("heading", name="Its token, shown this once")).to_be_visible()
    assert len(page.locator("code.token").inner_text()) == 43
