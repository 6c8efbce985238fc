"""A bad machine: its syncs take longer, its clock of the day is wrong, and both can be healed."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

from tests.faults.bad_machine import BadMachine, build_library

PROGRAM = """
import os, sys, time
from datetime import UTC, datetime
with open(sys.argv[1], "w") as file:
    for _ in sys.stdin:
        began = time.monotonic()
        os.fsync(file.fileno())
        print(time.monotonic() - began, datetime.now(UTC).timestamp(), flush=True)
"""


def test_a_running_process_has_a_slow_disk_and_a_wrong_clock_until_they_are_healed(
    tmp_path: Path,
) -> None:
    machine = BadMachine(build_library(tmp_path), "one")
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(tmp_path / "file")],
        env=os.environ | machine.environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None

        def look() -> tuple[float, float]:
            print(file=process.stdin, flush=True)
            assert process.stdout is not None
            sync_s, now = map(float, process.stdout.readline().split())
            return sync_s, now - time.time()

        assert abs(look()[1]) < 60

        machine.slow_disk(0.3)
        machine.wrong_clock(-3_600)
        sync_s, ahead_s = look()
        assert sync_s >= 0.3
        assert abs(ahead_s + 3_600) < 60

        machine.slow_disk(0.0)
        machine.wrong_clock(0)
        assert abs(look()[1]) < 60
        process.stdin.close()
