"""The console's process, and how a person signs in at it."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path

from playwright.sync_api import Page

from tests.console_support import PASSWORD

_COMMAND = (sys.executable, "-m", "services.runtime.cli.main")


class Desk:
    """A console that can be stopped and started again on its port."""

    def __init__(self, url: str, environment: dict[str, str], log: Path, health_port: str) -> None:
        self.url = url
        self.log = log
        self._environment = environment
        self._health_port = health_port
        self._process: subprocess.Popen[bytes] | None = None

    def run(self, *arguments: str) -> None:
        """Run one command of the program to its end."""
        subprocess.run([*_COMMAND, *arguments], env=self._environment, check=True, timeout=120)

    def start(self) -> None:
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [*_COMMAND, "start", "console", "--health-port", self._health_port],
                env=self._environment,
                stdout=log,
                stderr=log,
            )

    def stop(self) -> None:
        """End it, its open pages included."""
        if self._process is not None:
            self._process.send_signal(signal.SIGTERM)
            self._process.wait(60)
            self._process = None

    def sign_in(self, page: Page, name: str, site: str = "north", *, shared: bool = False) -> None:
        """Sign somebody in by the form; who sees several sites comes to the list of them."""
        page.goto(f"{self.url}/sign-in")
        page.get_by_label("Site").select_option(site)
        page.get_by_label("Your short name").fill(name)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_label("Several people use this tablet").set_checked(shared)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(re.compile(rf"^{re.escape(self.url)}/(sites/{site})?$"))
