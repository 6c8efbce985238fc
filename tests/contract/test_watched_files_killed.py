"""A kill in the middle of a watched file or folder loses no line and sends none twice."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import func, select

from services.intake.store import FACT
from tests.device_text import HEADER, exposure_line
from tests.servers.polling import wait_until
from tests.watched import Desk, opened_desk

_CHILD = """
import sys
from pathlib import Path
from threading import Event
from tests.watched import Desk
from services.intake.appended_file import AppendedFile
from services.intake.watched_folder import WatchedFolder

desk = Desk(sys.argv[1], Path(sys.argv[2]))
sources = [AppendedFile(desk.keeper, desk.log), WatchedFolder(desk.keeper, desk.drops)]
print("looks", flush=True)
while True:
    for source in sources:
        source.look(Event())
"""


@pytest.fixture
def desk(database_url: str, tmp_path: Path) -> Iterator[Desk]:
    with opened_desk(database_url, tmp_path) as made:
        yield made


@pytest.mark.drill
def test_killed_at_any_moment_each_line_is_kept_and_sent_once(desk: Desk) -> None:
    # given: the log and dropped files grow while the process that reads them is killed
    total, number = 400, 0
    desk.write(HEADER)

    def some_more() -> None:
        nonlocal number
        desk.write(*(at_its_time(one) for one in range(number, number + 50)))
        part = desk.drops / f"{number}.csv.part"
        bad = exposure_line(number + 50, program="P9")
        rows = [HEADER, *(at_its_time(one) for one in range(number + 50, number + 100)), bad]
        part.write_text("\n".join(rows))
        part.rename(part.with_suffix(""))
        number += 100

    def at_its_time(one: int) -> str:
        return exposure_line(one, time=f"{one // 3600:02}:{one // 60 % 60:02}:{one % 60:02}")

    command = [sys.executable, "-c", _CHILD, desk.store.url.render_as_string(False), desk.folder]

    def kept() -> int:
        with desk.store.read() as connection:
            return int(connection.scalar(select(func.count()).select_from(FACT)) or 0)

    # when: several kills, each at another depth of the work
    while number < total:
        before = kept()
        some_more()
        with subprocess.Popen(
            [str(part) for part in command],
            stdout=subprocess.PIPE,
            cwd=Path(__file__).parents[2],
            env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
        ) as child:
            assert child.stdout is not None
            assert child.stdout.readline() == b"looks\n"
            wanted = before + (number // 100 * 17) % 90
            wait_until(lambda now=wanted: kept() > now, 60, "some lines to be kept")  # type: ignore[misc]
            child.send_signal(signal.SIGKILL)
    desk.follow()
    desk.take()

    # then
    assert desk.shots() == list(range(total))
    assert desk.sent() == total
    assert sorted(entry.value for entry in desk.triage()) == ["'P9'"] * (total // 100)
    assert len(desk.names("taken")) == total // 100
    assert desk.names("rejected") == []
