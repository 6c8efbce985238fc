"""Intake as a process that watches a generator's files: killed again and again, nothing is lost."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml
from sqlalchemy import func, select

from schemas.messages import parse
from services.intake.store import FACT
from services.runtime import triage
from services.runtime.store import Store
from tests.device_text import HEADER, exposure_line
from tests.intake_support import GROUP
from tests.newest_schema import bring_to_newest
from tests.servers.polling import wait_until
from tests.servers.ports import free_port

REPOSITORY = Path(__file__).parents[2]
EXAMPLE = REPOSITORY / "schemas" / "mappings" / "invented_generator.yaml"


class WatchingProcess:
    """``gomphosis start intake`` with a settings file that names one log and one folder."""

    def __init__(self, folder: Path) -> None:
        self.log, self.drops = folder / "device.log", folder / "drops"
        self.drops.mkdir()
        (folder / "group").mkdir()
        (folder / "group" / "group.yaml").write_text(yaml.safe_dump(GROUP), encoding="utf-8")
        settings = {
            "data_dir": str(folder / "data"),
            "group_dir": str(folder / "group"),
            "health": {"port": free_port()},
            "intake": {
                "dicom_port": free_port(),
                "http_port": free_port(),
                "min_free_bytes": 0,
                "watch_poll_s": 0.02,
                "watched": [
                    {"device": "generator-1", "mapping": str(EXAMPLE), "file": str(self.log)},
                    {"device": "generator-1", "mapping": str(EXAMPLE), "folder": str(self.drops)},
                ],
            },
        }
        self._settings = folder / "settings.yaml"
        self._settings.write_text(yaml.safe_dump(settings), encoding="utf-8")
        self._log = folder / "log"
        self.store = Store(f"sqlite:///{folder / 'data' / 'gomphosis.sqlite'}")
        bring_to_newest(self.store)
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "services.runtime.cli.main", "start", "intake"],
                env={"PATH": os.environ["PATH"], "GOMPHOSIS_SETTINGS": str(self._settings)},
                cwd=REPOSITORY,
                stdout=log,
                stderr=log,
            )

    def end(self, how: signal.Signals) -> int:
        assert self._process is not None
        self._process.send_signal(how)
        code = self._process.wait(60)
        self._process = None
        return code

    def close(self) -> None:
        if self._process is not None:
            self.end(signal.SIGKILL)
        self.store.close()

    def kept(self) -> int:
        if self._process is not None:
            assert self._process.poll() is None, self._log.read_text()
        with self.store.read() as connection:
            return int(connection.scalar(select(func.count()).select_from(FACT)) or 0)


@pytest.fixture
def process(tmp_path: Path) -> Iterator[WatchingProcess]:
    made = WatchingProcess(tmp_path)
    yield made
    made.close()


def at_its_time(number: int) -> str:
    time = f"{number // 3600:02}:{number // 60 % 60:02}:{number % 60:02}"
    return exposure_line(number, time=time)


@pytest.mark.drill
def test_a_process_that_is_killed_keeps_every_line_once_and_ends_in_order(
    process: WatchingProcess,
) -> None:
    # given
    kills, each, chosen = 3, 200, random.Random(3)
    process.log.write_text(f"{HEADER}\n", encoding="utf-8")
    total = 0

    # when
    for _ in range(kills):
        before = process.kept()
        with process.log.open("a", encoding="utf-8") as log:
            log.writelines(f"{at_its_time(total + number)}\n" for number in range(each))
        part = process.drops / f"{total}.csv.part"
        dropped = [at_its_time(total + each + number) for number in range(each)]
        part.write_text("\n".join([HEADER, *dropped, "nonsense"]), encoding="utf-8")
        part.rename(part.with_suffix(""))
        total += 2 * each
        process.start()
        wanted = before + chosen.randrange(each)
        wait_until(lambda some=wanted: process.kept() > some, 60, "some lines to be kept")  # type: ignore[misc]
        process.end(signal.SIGKILL)
    process.start()

    # then
    wait_until(lambda: process.kept() == total, 60, f"{total} exposures to be kept")
    taken = process.drops / "taken"
    wait_until(lambda: len(list(taken.glob("*.csv"))) == kills, 60, "every file to be taken")
    assert process.end(signal.SIGTERM) == 0
    with process.store.read() as connection:
        bodies = list(connection.execute(select(FACT.c.body)).scalars())
        refused = triage.entries(connection)
    counters = [getattr(parse(body).payload, "exposure_counter", None) for body in bodies]
    assert sorted(counter for counter in counters if counter is not None) == list(range(total))
    assert [entry.field for entry in refused] == ["line"] * kills


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"device": "station-1"}, "a generator of group.yaml: generator-1"),
        ({"mapping": "/nowhere/mine.yaml"}, "a file that can be read"),
        ({"folder": "/tmp"}, "expected a folder or a file, and not both"),
    ],
)
def test_a_wrong_watched_device_stops_the_start_and_is_named(
    process: WatchingProcess, change: dict[str, str], told: str
) -> None:
    # given
    settings = yaml.safe_load(process._settings.read_text(encoding="utf-8"))
    settings["intake"]["watched"][0] |= change
    process._settings.write_text(yaml.safe_dump(settings), encoding="utf-8")

    # when
    process.start()
    assert process._process is not None
    code = process._process.wait(60)
    process._process = None

    # then
    assert code != 0
    assert told in process._log.read_text(encoding="utf-8")
