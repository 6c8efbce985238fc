"""A site's own node as it is run: its line to the group cut for a day, its processes killed."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml
from sqlalchemy import select

from schemas.facts import ExposureEnded
from services.intake.store import FACT, IMAGE
from services.runtime.service import services_here
from services.runtime.settings import ForwardSettings, Settings
from services.runtime.store import Store
from tests.intake_support import HOST, TOKENS, Intake, make_image, running_intake, send
from tests.servers.cut_line import CutLine
from tests.servers.polling import NeverCameTrueError, wait_until
from tests.servers.ports import LOOPBACK, free_port, port_is_open
from tests.site_node import NODE_TOKEN, group_with_node

pytestmark = [pytest.mark.drill, pytest.mark.timeout(1_200)]

TIMEOUT_S = 300.0
BEGAN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
A_DAY = 2_000
"""Exposures; more than ten times a day of one invented hospital."""
IMAGES = 30


class Node:
    """``gomphosis start`` of a site's own node: all of its processes, in a group of their own."""

    def __init__(self, folder: Path, http: CutLine, dicom: CutLine) -> None:
        self.dicom_port, self.http_port, self.console_port = (free_port() for _ in range(3))
        group_dir = folder / "group"
        group_dir.mkdir(parents=True)
        (group_dir / "group.yaml").write_text(yaml.safe_dump(group_with_node()), encoding="utf-8")
        self.settings = Settings(
            data_dir=folder / "data",
            group_dir=group_dir,
            forward=ForwardSettings.model_validate({"url": "http://group", "token": NODE_TOKEN}),
        )
        first = free_port()
        self._environment = {
            "PATH": os.environ["PATH"],
            "GOMPHOSIS_DATA_DIR": str(self.settings.data_dir),
            "GOMPHOSIS_GROUP_DIR": str(group_dir),
            "GOMPHOSIS_HEALTH__PORT": str(first),
            "GOMPHOSIS_INTAKE__DICOM_PORT": str(self.dicom_port),
            "GOMPHOSIS_INTAKE__HTTP_PORT": str(self.http_port),
            "GOMPHOSIS_INTAKE__MIN_FREE_BYTES": "0",
            "GOMPHOSIS_CONSOLE__PORT": str(self.console_port),
            "GOMPHOSIS_FORWARD__URL": f"http://{LOOPBACK}:{http.port}",
            "GOMPHOSIS_FORWARD__TOKEN": NODE_TOKEN,
            "GOMPHOSIS_FORWARD__DICOM_HOST": LOOPBACK,
            "GOMPHOSIS_FORWARD__DICOM_PORT": str(dicom.port),
        }
        self._log = folder / "log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start, and return once it takes facts."""
        command = [sys.executable, "-m", "services.runtime.cli.main", "start"]
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                command,
                env=self._environment,
                cwd=Path(__file__).parents[2],
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        wait_until(lambda: port_is_open(self.http_port), TIMEOUT_S, f"the node; see {self._log}")

    def kill(self) -> None:
        """End every process of it at once by SIGKILL, as a power cut does."""
        if self._process is not None:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait(60)
            self._process = None
            ports = (self.http_port, self.dicom_port, self.console_port)
            wait_until(lambda: not any(map(port_is_open, ports)), 60, "its processes to be gone")

    def kept(self, column: Any) -> list[str]:
        store = Store(self.settings.store_url)
        with store.read() as connection:
            found = list(connection.execute(select(column)).scalars())
        store.close()
        return found


@pytest.fixture
def group(tmp_path: Path) -> Iterator[Intake]:
    made = group_with_node()
    with running_intake(tmp_path / "group", worker=True, group=made) as running:
        yield running


@pytest.fixture
def lines(group: Intake) -> Iterator[tuple[CutLine, CutLine]]:
    http, dicom = CutLine(group.http_port), CutLine(group.dicom_port)
    with http.running(), dicom.running():
        yield http, dicom


@pytest.fixture
def node(tmp_path: Path, lines: tuple[CutLine, CutLine]) -> Iterator[Node]:
    made = Node(tmp_path / "node", *lines)
    assert "charges" not in services_here(made.settings)
    made.start()
    yield made
    made.kill()


def test_a_days_work_behind_a_cut_line_arrives_once_when_it_is_back(
    node: Node, group: Intake, lines: tuple[CutLine, CutLine]
) -> None:
    # given
    for line in lines:
        line.cut()
    for first in range(0, A_DAY, 100):
        _tell(node, range(first, first + 100))
    for number in range(IMAGES):
        assert send(node.dicom_port, make_image(number)).Status == 0
    assert group.facts() == []

    # when
    began = time.monotonic()
    for line in lines:
        line.heal()
    exposures = ExposureEnded.KIND
    wait_until(lambda: len(group.facts(exposures)) >= A_DAY, TIMEOUT_S, "a day's facts")
    facts_s = time.monotonic() - began
    wait_until(lambda: len(group.facts()) >= A_DAY + IMAGES, TIMEOUT_S, "a day's images")
    all_s = time.monotonic() - began

    # then
    _expect_same(node, group)
    print(f"the line back: {A_DAY} facts within {facts_s:.1f} s, {IMAGES} images {all_s:.1f} s")


def test_whatever_is_cut_and_killed_meanwhile_each_fact_and_image_arrives_once(
    node: Node, group: Intake, lines: tuple[CutLine, CutLine]
) -> None:
    # given
    choice = random.Random(11)
    told: list[range] = []
    images = 0

    # when
    for round_ in range(8):
        for line in lines:
            line.heal()
            line.cut_after(choice.randrange(2_000, 60_000), of_answers=choice.random() < 0.3)
        with ThreadPoolExecutor(2) as at_work:
            numbers = range(round_ * 100, round_ * 100 + 100)
            at_work.submit(_tell, node, numbers).result()
            told.append(numbers)
            for _ in range(3):
                images += 1
                assert send(node.dicom_port, make_image(images)).Status == 0
        if round_ % 2:
            node.kill()
            node.start()
    for line in lines:
        line.cut_after(1 << 40)
        line.heal()

    # then
    wanted = sum(map(len, told)) + images
    try:
        wait_until(lambda: len(group.facts()) >= wanted, TIMEOUT_S, "every fact and image")
    except NeverCameTrueError as error:
        raise AssertionError(f"{error}; {node.settings.data_dir.parent / 'log'}") from error
    _expect_same(node, group)
    print(f"{wanted} facts over {sum(line.cuts for line in lines)} cuts and 4 kills")


def _tell(node: Node, numbers: range) -> None:
    offers = [
        {
            "kind": ExposureEnded.KIND,
            "occurred_at": (BEGAN + timedelta(seconds=number)).isoformat(),
            "payload": ExposureEnded.EXAMPLES[0] | {"exposure_counter": 1_000 + number},
        }
        for number in numbers
    ]
    answer = httpx.post(
        f"http://{HOST}:{node.http_port}/facts",
        json=offers,
        headers={"Authorization": f"Bearer {TOKENS['generator-1']}"},
        timeout=60,
    )
    assert answer.status_code == 200, answer.text


def _expect_same(node: Node, group: Intake) -> None:
    """Compare what the node has kept with what the group has, and has sent on."""
    facts = group.facts()
    assert sorted(one.natural_key for one in facts) == sorted(node.kept(FACT.c.natural_key))
    exposures = [one.id for one in facts if one.kind == ExposureEnded.KIND]
    assert {str(one) for one in exposures} <= set(node.kept(FACT.c.id))
    sent = Counter(one.id for one in group.outbox())
    assert set(sent) == {one.id for one in facts}
    assert set(sent.values()) == {1}
    assert sorted(row.sha256 for row in group.image_rows()) == sorted(node.kept(IMAGE.c.sha256))
    assert group.triage() == []
