"""Intake as a process of its own: killed, started again, and ended in an orderly way."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from threading import Event, Thread

import pytest
import yaml
from pydicom import dcmread
from sqlalchemy import select

from schemas.facts import ImageStored
from schemas.messages import parse
from services.intake.store import FACT
from services.runtime.migrate import migrate
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.intake_support import GROUP, INTRAORAL, association, make_image
from tests.servers.polling import wait_until
from tests.servers.ports import free_port, port_is_open


class IntakeProcess:
    """``gomphosis start intake`` on ports and a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.dicom_port, self.http_port, self.health_port = free_port(), free_port(), free_port()
        self.folder = folder
        group_dir = folder / "group"
        group_dir.mkdir(parents=True)
        (group_dir / "group.yaml").write_text(yaml.safe_dump(GROUP), encoding="utf-8")
        self.settings = Settings(data_dir=folder / "data", group_dir=group_dir)
        store = Store(self.settings.store_url)
        migrate(store)
        store.close()
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        environment = {
            "PATH": os.environ["PATH"],
            "GOMPHOSIS_DATA_DIR": str(self.settings.data_dir),
            "GOMPHOSIS_GROUP_DIR": str(self.settings.group_dir),
            "GOMPHOSIS_INTAKE__DICOM_PORT": str(self.dicom_port),
            "GOMPHOSIS_INTAKE__HTTP_PORT": str(self.http_port),
            "GOMPHOSIS_INTAKE__MIN_FREE_BYTES": "0",
            "GOMPHOSIS_HEALTH__PORT": str(self.health_port),
        }
        command = [sys.executable, "-m", "services.runtime.cli.main", "start", "intake"]
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                command, env=environment, cwd=Path(__file__).parents[2], stdout=log, stderr=log
            )
        wait_until(self._serves, 60, f"intake to serve; see {self.folder / 'log'}")

    def _serves(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.folder / "log").read_text()
        return port_is_open(self.health_port) and port_is_open(self.http_port)

    def end(self, how: signal.Signals) -> int:
        assert self._process is not None
        self._process.send_signal(how)
        code = self._process.wait(60)
        self._process = None
        return code

    def close(self) -> None:
        if self._process is not None:
            self.end(signal.SIGKILL)

    def images(self) -> dict[str, Path]:
        """Every image that has a fact: its SOP Instance UID and its file."""
        store = Store(self.settings.store_url)
        with store.read() as connection:
            bodies = connection.execute(
                select(FACT.c.body).where(FACT.c.kind == "image_stored")
            ).scalars()
            facts = [parse(body).payload for body in bodies]
        store.close()
        return {
            fact.sop_instance_uid: self.settings.images_dir / fact.path
            for fact in facts
            if isinstance(fact, ImageStored)
        }


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[IntakeProcess]:
    process = IntakeProcess(tmp_path)
    process.start()
    yield process
    process.close()


def send_until_it_dies(intake: IntakeProcess, acknowledged: list[str], enough: Event) -> None:
    with association(intake.dicom_port, INTRAORAL) as peer:
        for number in range(10_000):
            image = make_image(SOPInstanceUID=f"2.25.5{number:05}")
            if not peer.is_established:
                return
            answer = peer.send_c_store(image)
            if answer.get("Status") != 0x0000:
                return
            acknowledged.append(str(image.SOPInstanceUID))
            if len(acknowledged) == 20:
                enough.set()


def test_a_killed_node_has_kept_every_image_that_it_acknowledged(intake: IntakeProcess) -> None:
    # given
    acknowledged: list[str] = []
    enough = Event()
    sender = Thread(target=send_until_it_dies, args=(intake, acknowledged, enough))
    sender.start()
    assert enough.wait(60)

    # when
    intake.end(signal.SIGKILL)
    sender.join(60)
    intake.start()

    # then
    kept = intake.images()
    assert set(acknowledged) <= set(kept)
    for uid, path in kept.items():
        assert dcmread(path).SOPInstanceUID == uid
    assert list((intake.settings.images_dir / "incoming").iterdir()) == []


def test_sigterm_ends_it_in_an_orderly_way_while_a_station_is_connected(
    intake: IntakeProcess,
) -> None:
    with association(intake.dicom_port, INTRAORAL) as peer:
        assert peer.send_c_store(make_image()).Status == 0x0000

        assert intake.end(signal.SIGTERM) == 0

    assert not port_is_open(intake.dicom_port)
    assert len(intake.images()) == 1
