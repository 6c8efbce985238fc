"""``gomphosis start intake`` as a process of its own, on ports and a folder of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import yaml
from sqlalchemy import select

from schemas.envelope import Message, Payload
from schemas.facts import ImageStored
from schemas.messages import parse
from services.intake.store import FACT
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.intake_support import GROUP
from tests.newest_schema import bring_to_newest
from tests.servers.polling import wait_until
from tests.servers.ports import free_port, port_is_open


class IntakeProcess:
    """Starts, kills and starts intake again; ``settings`` are further environment variables."""

    def __init__(self, folder: Path, **settings: str) -> None:
        self.dicom_port, self.http_port, self.health_port = free_port(), free_port(), free_port()
        self.folder = folder
        group_dir = folder / "group"
        group_dir.mkdir(parents=True)
        (group_dir / "group.yaml").write_text(yaml.safe_dump(GROUP), encoding="utf-8")
        self.settings = Settings(data_dir=folder / "data", group_dir=group_dir)
        store = Store(self.settings.store_url)
        bring_to_newest(store)
        store.close()
        self._further = settings
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        if self._process is None:
            raise RuntimeError("intake is not running: call start()")
        return self._process.pid

    def start(self) -> None:
        """Start, and return once both doors are open."""
        environment = {
            "PATH": os.environ["PATH"],
            "GOMPHOSIS_DATA_DIR": str(self.settings.data_dir),
            "GOMPHOSIS_GROUP_DIR": str(self.settings.group_dir),
            "GOMPHOSIS_INTAKE__DICOM_PORT": str(self.dicom_port),
            "GOMPHOSIS_INTAKE__HTTP_PORT": str(self.http_port),
            "GOMPHOSIS_INTAKE__MIN_FREE_BYTES": "0",
            "GOMPHOSIS_HEALTH__PORT": str(self.health_port),
            **self._further,
        }
        command = [sys.executable, "-m", "services.runtime.cli.main", "start", "intake"]
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                command, env=environment, cwd=Path(__file__).parents[1], stdout=log, stderr=log
            )
        wait_until(self._serves, 120, f"intake to serve; see {self.folder / 'log'}")

    def _serves(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.folder / "log").read_text()
        return port_is_open(self.health_port) and port_is_open(self.http_port)

    def end(self, how: signal.Signals) -> int:
        """Send a signal and wait for the end; give the exit code."""
        assert self._process is not None
        self._process.send_signal(how)
        code = self._process.wait(60)
        self._process = None
        return code

    def close(self) -> None:
        """End it if it runs."""
        if self._process is not None:
            self.end(signal.SIGKILL)

    def facts(self) -> list[Message[Payload]]:
        """Every fact that is kept."""
        store = Store(self.settings.store_url)
        with store.read() as connection:
            facts = [parse(body) for body in connection.execute(select(FACT.c.body)).scalars()]
        store.close()
        return facts

    def images(self) -> dict[str, Path]:
        """Every image that has a fact: its SOP Instance UID and its file."""
        return {
            fact.payload.sop_instance_uid: self.settings.images_dir / fact.payload.path
            for fact in self.facts()
            if isinstance(fact.payload, ImageStored)
        }
