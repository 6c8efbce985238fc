"""One console and one Chromium for all tests of this folder; a fresh context for each test."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from urllib.request import urlopen

import pytest
import yaml
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from demo.chromium import start
from services.runtime.service import service_names
from tests.browser.desk import Desk
from tests.console_support import HOST, TOKEN, invented_group
from tests.servers.missing import missing
from tests.servers.polling import wait_until
from tests.servers.ports import free_port
from tests.servers.private import plain_environment


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark these tests, and keep them on one worker: its browser is shared."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker("browser")


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Debian's Chromium, without a window, in a folder of its own."""
    program = shutil.which("chromium")
    if program is None:
        missing("Chromium", "apt-get install chromium")
    with sync_playwright() as playwright:
        expect.set_options(timeout=60_000)  # a machine may be slow; a page that is not fails late
        browser = start(playwright, program, timeout_ms=120_000)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """The console as its own process on private stores, with the invented group."""
    folder = tmp_path_factory.mktemp("console")
    (folder / "group.yaml").write_text(yaml.safe_dump(invented_group()))
    port, health = free_port(), free_port()
    environment = plain_environment() | {
        "GOMPHOSIS_DATA_DIR": str(folder),
        "GOMPHOSIS_GROUP_DIR": str(folder),
        "GOMPHOSIS_CONSOLE__PORT": str(port),
        "GOMPHOSIS_CONSOLE__TOKEN": TOKEN,
        "GOMPHOSIS_CONSOLE__SHARED_IDLE_S": "50",
        "GOMPHOSIS_CONSOLE__SERVICE_URLS": json.dumps(
            {name: f"http://{HOST}:{free_port()}" for name in service_names()}
            | {"console": f"http://{HOST}:{health}"}
        ),
    }
    desk = Desk(f"http://{HOST}:{port}", environment, folder / "console.log", str(health))
    desk.run("migrate")
    desk.start()

    def ready() -> bool:
        try:
            with urlopen(f"http://{HOST}:{health}/readyz", timeout=5) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    wait_until(ready, 120, f"the console to be ready; see {desk.log}")
    yield desk
    desk.stop()


@pytest.fixture
def context(chromium: Browser) -> Iterator[BrowserContext]:
    made = chromium.new_context(viewport={"width": 1024, "height": 768}, reduced_motion="reduce")
    made.set_default_timeout(60_000)
    yield made
    made.close()


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    """A new page; a script's error in it fails the test."""
    page = context.new_page()
    # Told at the end: what is raised in Playwright's own loop would end it for all tests.
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    yield page
    assert errors == [], "errors of the page's script"
