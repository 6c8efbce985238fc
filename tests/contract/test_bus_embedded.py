"""What the embedded bus does where the machine's clock was wrong."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

from services.runtime.bus_embedded import EmbeddedBus
from tests.contract.bus_cases import LIMITS, WORK, drain, numbered


def test_a_message_put_off_by_a_clock_that_ran_ahead_comes_once_it_is_put_right(
    tmp_path: Path,
) -> None:
    # given: a wait that was set two days ahead
    bus = EmbeddedBus(tmp_path / "bus.sqlite3", LIMITS)
    bus.declare([WORK])
    bus.publish(numbered(1))
    with sqlite3.connect(tmp_path / "bus.sqlite3") as connection:
        connection.execute("UPDATE delivery SET ready_at = ?", (time.time() + 172_800,))
    connection.close()

    # when, then
    assert bus.depth(WORK.queue) == 1
    assert drain(bus, 1).ids() == ["0"]
    bus.close()
