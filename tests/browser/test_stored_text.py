"""Text from every door on every page, in a real browser: it stands there as text and does nothing.

The pages are those of the table of access, so a new one is opened by itself. What a page serves as
a file (CSV, workbook, drawing) is opened as what it is.
"""

from __future__ import annotations

import csv
import io
import json
import subprocess
from collections.abc import Iterator, Sequence

import pytest
from openpyxl import load_workbook
from playwright.sync_api import APIResponse, Browser, BrowserContext, Page

from schemas.group import Role
from services.console.access import Rule
from services.console.security import SESSION_COOKIE
from services.runtime import audit, deeds
from tests.chairside_day import SITE
from tests.console_walk import addresses, is_live, is_open, routes
from tests.hostile_day import AS_CODE, MARK, PEOPLE, HostileDay, hostile_day

pytestmark = pytest.mark.drill

PHONE = {"width": 390, "height": 844}
TAKEN = {
    "order_placed",
    "view_excused",
    "image_rejected",
    "note_amended",
    "note_addended",
    "clock_read",
    "sensor_tested",
    "sensor_faulted",
    "posting_answered",
}
"""Kinds whose free text a door takes: fewer would mean that less is tested than it seems."""

NOT_REACHED = {
    "/sites/{site}/charges/exceptions/{name}",
    "/sites/{site}/charges/sent",
}
"""What an open day has none of. Any other page that shows nothing would be a test of nothing."""
ASKED = {"/sites/{site}/charges/changed": "?seen=x"}
"""What a page has to be asked besides its path."""


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[HostileDay]:
    with hostile_day(tmp_path_factory.mktemp("hostile")) as day:
        yield day


class Watched:
    """A browser in which nothing may run, be asked elsewhere, or be refused by the policy."""

    def __init__(self, context: BrowserContext, url: str) -> None:
        self.happened: list[str] = []
        self.shown = ""
        self._url = url
        context.on("dialog", lambda one: self.happened.append(f"dialog {one.message}"))
        context.on("weberror", lambda one: self.happened.append(f"error {one.error}"))
        context.on("console", lambda one: self._heard(one.text))
        context.on("request", lambda one: self._asked(one.url))

    def _heard(self, text: str) -> None:
        if "Content Security Policy" in text or "Refused to" in text:
            self.happened.append(text)

    def _asked(self, url: str) -> None:
        if not url.startswith((self._url, "data:")):
            self.happened.append(f"asked {url}")

    def look(self, page: Page, address: str) -> list[str]:
        """Open a page and tell what is wrong with it."""
        page.goto(f"{self._url}{address}", wait_until="load")
        seen = page.evaluate(
            """() => ({
                elements: document.querySelectorAll(
                    '[data-q8], [onclick], [onerror], [onload], script:not([src])').length,
                text: document.documentElement.textContent + [
                    ...document.querySelectorAll('input, textarea')].map(one => one.value).join(),
                wide: document.documentElement.scrollWidth,
                direction: /[\\u202a-\\u202e\\u2066-\\u2069]/.test(document.body
                    ? document.body.innerText : ''),
            })"""
        )
        self.shown += seen["text"]
        whole = page.locator("body > footer").count() > 0
        faults = {
            "markup of a text became an element": seen["elements"] > 0,
            "a template ran": any(one in seen["text"] for one in AS_CODE),
            "a text turns the direction of its line": seen["direction"],
            f"it is {seen['wide']} pixels wide": whole and seen["wide"] > PHONE["width"],
            f"{self.happened}": bool(self.happened),
        }
        self.happened.clear()
        return [f"{address}: {words}" for words, is_so in faults.items() if is_so]


def person_for(rule: Rule) -> str:
    return PEOPLE[min(rule.roles, key=list(Role).index)]


def values_of(hostile: HostileDay) -> dict[str, Sequence[str]]:
    return {
        "site": [SITE],
        "room": ["dental-1"],
        "study": hostile.studies,
        "entry": [str(one) for one in hostile.waiting()[:6]],
        "name": [*hostile.images, "day.csv", "day.xlsx", "month.xlsx", "exceptions", "money"],
    }


def test_text_from_every_door_stands_as_text_on_every_page(
    hostile: HostileDay, chromium: Browser
) -> None:
    assert hostile.taken >= TAKEN
    values = values_of(hostile)
    by_person: dict[str, list[tuple[str, str]]] = {}
    for _, path, rule in routes("GET"):
        if not is_live(path) and not is_open(rule):
            asked = ASKED.get(path, "")
            listed = [(path, f"{address}{asked}") for address in addresses(path, values)]
            by_person.setdefault(person_for(rule), []).extend(listed)

    shown, faults, reached = "", [], set()
    for person, listed in by_person.items():
        context = chromium.new_context(viewport=PHONE, reduced_motion="reduce")  # type: ignore[arg-type]
        context.set_default_timeout(60_000)
        context.add_cookies(
            [{"name": SESSION_COOKIE, "value": hostile.token(person), "url": hostile.day.url}]
        )
        watched = Watched(context, hostile.day.url)
        page = context.new_page()
        for path, address in listed:
            answer = context.request.get(f"{hostile.day.url}{address}", max_redirects=0)
            if answer.status < 400:
                reached.add(path)
            if answer.status >= 500:
                faults.append(f"{address}: {answer.status}")
            kind = answer.headers.get("content-type", "")
            if not look_into(answer, kind) and answer.status not in {204, 303}:
                faults += watched.look(page, address)
        shown += watched.shown
        context.close()

    assert faults == []
    assert {path for listed in by_person.values() for path, _ in listed} - reached <= NOT_REACHED
    assert MARK in shown, "the text is seen as it was sent"


def look_into(answer: APIResponse, kind: str) -> bool:
    """Look into what is no page, as the program that opens it would; tell whether it was one."""
    if "csv" in kind:
        for row in csv.reader(io.StringIO(answer.text())):
            for cell in row:
                assert not cell.startswith(("=", "+", "@", "\t", "\r")), cell
        return True
    if "spreadsheetml" in kind:
        book = load_workbook(io.BytesIO(answer.body()))
        cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
        assert {cell.data_type for cell in cells} <= {"s", "n", "d", "b", "inlineStr"}
        assert not [cell for cell in cells if cell.hyperlink]
        return True
    return kind.startswith(("image/png", "application/json", "application/pdf"))


def test_no_text_makes_a_line_of_its_own_in_a_log_or_in_the_audit(hostile: HostileDay) -> None:
    for line in (hostile.day.hospital.folder / "services.log").read_text("utf-8").split("\n"):
        if "data-q8" in line or "WWWW" in line or line.startswith(("<", "$")):
            assert isinstance(json.loads(line), dict), line
    with hostile.day.store.read() as connection:
        texts = [str(text) for row in audit.entries(connection) for text in row]
        texts += [str(text) for row in deeds.entries(connection) for text in row]
    assert texts
    assert all(text.isprintable() for text in texts)


def test_what_the_commands_list_turns_no_line_of_a_terminal(hostile: HostileDay) -> None:
    for command in (("triage", "list"), ("audit",)):
        told: subprocess.CompletedProcess[str] = hostile.day.hospital.command(*command)
        assert told.returncode in {0, 3}, told.stderr
        assert not set(told.stdout) & set("\u202e\u2066\x1b\r"), command
