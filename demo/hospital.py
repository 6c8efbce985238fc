"""Starts the real program for the demo, as `gomphosis start` does, and waits until it is ready."""

import json
import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.request import urlopen

from demo.http_teller import invented_token
from schemas.conclusions import StudyAssessed
from services.assessment.store import find_studies
from services.runtime.store import Store

_GROUP = Path(__file__).with_name("group")
_READY_WITHIN_S = 300.0
_SERVICES = 6


class HospitalNotReady(Exception):  # noqa: N818
    """The services did not get ready; says where their log lies."""


@dataclass(frozen=True, slots=True)
class Hospital:
    """A running program and where it listens."""

    folder: Path
    http_url: str
    dicom_port: int
    environment: dict[str, str]
    pid: int
    store: Store

    @property
    def record_folder(self) -> Path:
        return self.folder / "record"

    def study(self, study_instance_uid: str) -> StudyAssessed | None:
        """Read a study's newest assessment, as ``gomphosis study`` does, which takes a second."""
        with self.store.read() as connection:
            found = find_studies(connection, study_instance_uid)
        return found[0][1] if found else None  # one site only has this study

    def check(self) -> list[dict[str, Any]]:
        verdicts: list[dict[str, Any]] = json.loads(self.command("check", "--json").stdout)
        return verdicts

    def command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "services.runtime.cli.main", *arguments],
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
        )


@contextmanager
def running_hospital(folder: Path, **settings_of_caller: str) -> Iterator[Hospital]:
    """Start all services on free loopback ports with everything kept in ``folder``.

    ``settings_of_caller`` are environment variables that outrank the demo's: another bus or store.
    """
    dicom, http, console, *health = free_ports()
    settings = {
        "GOMPHOSIS_DATA_DIR": str(folder),
        "GOMPHOSIS_GROUP_DIR": str(_GROUP),
        "GOMPHOSIS_STORE__URL": f"sqlite:///{folder.absolute()}/gomphosis.sqlite",
        "GOMPHOSIS_INTAKE__DICOM_PORT": str(dicom),
        "GOMPHOSIS_INTAKE__HTTP_PORT": str(http),
        "GOMPHOSIS_CONSOLE__PORT": str(console),
        "GOMPHOSIS_CONSOLE__INTAKE_URL": f"http://127.0.0.1:{http}",
        "GOMPHOSIS_CONSOLE__TOKEN": invented_token("console-1"),
        "GOMPHOSIS_HEALTH__PORT": str(health[0]),
        "GOMPHOSIS_LOG__FORMAT": "json",
        "GOMPHOSIS_RECORDS__OPTIONS": json.dumps({"path": str(folder / "record")}),
    }
    outside = {k: v for k, v in os.environ.items() if not k.startswith("GOMPHOSIS_")}
    environment = outside | settings | settings_of_caller
    log_path = folder / "services.log"
    with log_path.open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "services.runtime.cli.main", "start"],
            env=environment,
            stdout=log,
            stderr=log,
        )
        try:
            _wait_until_ready(process, health[:_SERVICES], log_path)
            url = f"http://127.0.0.1:{http}"
            store = Store(environment["GOMPHOSIS_STORE__URL"])
            try:
                yield Hospital(folder, url, dicom, environment, process.pid, store)
            finally:
                store.close()
        finally:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()


def _wait_until_ready(process: subprocess.Popen[bytes], ports: list[int], log_path: Path) -> None:
    end = time.monotonic() + _READY_WITHIN_S
    waiting = set(ports)
    while waiting:
        if process.poll() is not None or time.monotonic() > end:
            raise HospitalNotReady(f"services: expected them ready by now; see {log_path}")
        waiting = {port for port in waiting if not _is_ready(port)}
        if waiting:
            time.sleep(0.1)


def _is_ready(port: int) -> bool:
    try:
        with urlopen(f"http://127.0.0.1:{port}/readyz", timeout=2) as answer:
            return bool(answer.status == 200)
    except (URLError, OSError):
        return False


def free_ports() -> list[int]:
    """Find three free ports, and a run of free ones for the health of each service.

    Each process looks elsewhere first, so that two hospitals that start at once do not meet.
    """
    # Below the ports that Linux gives to callers: asking one of those may reach the asker itself.
    starts = list(range(20_000, 32_000, 97))
    random.Random(os.getpid()).shuffle(starts)
    for first in starts:
        wanted = list(range(first, first + 3 + _SERVICES))
        if all(_is_free(port) for port in wanted):
            return wanted
    raise HospitalNotReady("ports: expected nine free ones in a row on the loopback address")


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True
