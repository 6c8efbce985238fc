"""A site and its devices are added by a form, and the running services let them in at once."""

from __future__ import annotations

import hashlib
import html
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any

import httpx
import pytest
import yaml

from services.runtime import deeds
from tests.console_support import RunningConsole, invented_group, running_console
from tests.intake_support import Intake, association, running_intake
from tests.servers.polling import wait_until

VERIFICATION = "1.2.840.10008.1.1"
DEVICE = "/operations/sites/north/device"
STATION = {
    "kind": "station",
    "name": "station-new",
    "room": "dental-1",
    "ae_title": "STATIONNEW",
    "addresses": "127.0.0.0/8",
}
SITE = {
    "name": "east",
    "title": "Invented Hospital East",
    "time_zone": "Europe/Vienna",
    "called_ae_title": "EAST",
    "rooms": "dental-1",
    "tariff": "invented-2026",
}


@dataclass
class Line:
    """A console and an intake on one group's folder, and an admin who reaches all of it."""

    console: RunningConsole
    intake: Intake
    admin: httpx.Client
    folder: Path

    def text(self) -> str:
        return (self.folder / "group.yaml").read_text(encoding="utf-8")

    def post(self, path: str, form: dict[str, str], **more: str) -> httpx.Response:
        return self.admin.post(path, data=form | {"tap": "invented0tap0" + form["name"][:3]} | more)

    def confirm(self, path: str, form: dict[str, str], **more: str) -> httpx.Response:
        """Look at the difference, then confirm it."""
        looked = self.post(path, form, step="look", **more)
        assert looked.status_code == 200, looked.text
        base = re.search(r'name="base" value="([0-9a-f]{64})"', looked.text)
        assert base is not None
        return self.post(path, form, step="do", base=base[1], **more)


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Line]:
    folder = tmp_path_factory.mktemp("line")
    group = invented_group()
    with (
        running_intake(folder, group=group) as intake,
        running_console(folder, group=group, taps_per_minute=10_000) as console,
        console.browser("north", "admin-all") as admin,
    ):
        watching = Thread(target=intake.runtime.group_watch.run, args=(intake.stop,))
        watching.start()
        intake.threads.append(watching)
        admin.headers["X-CSRF-Token"] = console.csrf(admin)
        file = folder / "group" / "group.yaml"
        file.write_text("# Kept by hand (invented).\n" + file.read_text())
        yield Line(console, intake, admin, folder / "group")


def let_in(line: Line, calling: str, called: str) -> bool:
    with association(line.intake.dicom_port, VERIFICATION, calling=calling, called=called) as one:
        return one.is_established and bool(one.send_c_echo().Status == 0)


def test_a_station_is_shown_as_a_difference_then_let_in_by_the_running_node(line: Line) -> None:
    # given
    before = line.text()
    assert not let_in(line, "STATIONNEW", "NORTH")

    # when it is looked at, nothing changes
    looked = line.post(DEVICE, STATION, step="look")
    assert re.search(r"\+ *- *name: station-new\n", html.unescape(looked.text))
    assert line.text() == before

    # when it is confirmed
    done = line.confirm(DEVICE, STATION)

    # then
    assert "Added: device station-new of north" in done.text
    wait_until(lambda: let_in(line, "STATIONNEW", "NORTH"), 30, "the station to be let in")
    assert line.text().startswith("# Kept by hand (invented).\n")
    (kept,) = (line.folder / "group-versions").glob("group-*.yaml")
    assert kept.read_text() == before
    with line.console.runtime.store.read() as connection:
        told = [row for row in deeds.entries(connection) if row.what == "group.yaml"]
    assert told[-1].person == "admin-all"
    assert "added device station-new of north" in told[-1].about


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"name": "console-1"}, "name"),
        ({"name": "Station!"}, "name"),
        ({"ae_title": ""}, "ae_title"),
        ({"addresses": "everywhere"}, "addresses"),
        ({"room": "cellar"}, "room"),
    ],
)
def test_what_does_not_hold_is_named_by_its_field_and_changes_nothing(
    line: Line, change: dict[str, str], field: str
) -> None:
    before = line.text()
    form = STATION | {"name": "station-odd", "ae_title": "ODD"} | change

    refused = line.post(DEVICE, form, step="do", base=hashlib.sha256(before.encode()).hexdigest())

    assert refused.status_code == 422
    assert f'id="{field}-error"' in refused.text
    assert line.text() == before


def test_a_token_is_shown_once_and_a_form_sent_twice_makes_one_device(line: Line) -> None:
    form = {"kind": "generator", "name": "generator-new", "room": "dental-1", "wants_token": "yes"}
    looked = line.post(DEVICE, form, step="look")
    base = re.search(r'name="base" value="([0-9a-f]{64})"', looked.text)
    assert base is not None

    first, second = (line.post(DEVICE, form, step="do", base=base[1]) for _ in range(2))

    token = re.search(r'<code class="token">([\w-]{43})</code>', first.text)
    assert token is not None
    assert token[1] in second.text
    assert token[1] not in looked.text + line.text()
    site = yaml.safe_load(line.text())["sites"][0]
    (device,) = [one for one in site["devices"] if one["name"] == "generator-new"]
    assert device["token_sha256"] == hashlib.sha256(token[1].encode()).hexdigest()
    for path in ("/operations/group", DEVICE, "/operations"):
        assert token[1] not in line.admin.get(path).text

    def known() -> bool:
        answer = httpx.post(
            line.intake.facts_url, json=[], headers={"Authorization": f"Bearer {token[1]}"}
        )
        return answer.status_code == 200

    wait_until(known, 30, "intake to know the token")


def test_a_site_is_added_and_its_pages_and_titles_are_there(line: Line) -> None:
    wrong = line.post("/operations/group/site", SITE | {"tariff": "none-such"}, step="look")
    assert wrong.status_code == 422
    assert "expected one of" in wrong.text

    done = line.confirm("/operations/group/site", SITE)

    assert done.status_code == 200
    assert line.admin.get("/sites/east").status_code == 200
    form = STATION | {"ae_title": "EASTONE"}
    line.confirm("/operations/sites/east/device", form)
    wait_until(
        lambda: let_in(line, "EASTONE", "EAST"), 30, "a station of the new site to be let in"
    )


def test_a_form_that_is_older_than_the_file_is_shown_anew(line: Line) -> None:
    form = STATION | {"name": "station-late", "ae_title": "LATE"}
    before = line.text()

    stale = line.post(DEVICE, form, step="do", base="0" * 64)

    assert "Somebody changed group.yaml meanwhile" in stale.text
    assert line.text() == before


def test_where_the_folder_cannot_be_written_the_new_file_is_handed_out(
    line: Line, tmp_path: Path
) -> None:
    form = STATION | {"name": "station-hand", "ae_title": "HAND"}
    versions = line.folder / "group-versions"
    if versions.exists():
        versions.rename(tmp_path / "versions")
    versions.write_text("in the way (invented)")
    try:
        before = line.text()
        told = line.confirm(DEVICE, form)
    finally:
        versions.unlink()

    assert told.status_code == 503
    new: dict[str, Any] = yaml.safe_load(
        html.unescape(re.findall(r"<textarea[^>]*>(.*?)</textarea>", told.text, re.DOTALL)[0])
    )
    assert new["sites"][0]["devices"][-1]["name"] == "station-hand"
    assert line.text() == before
