"""A signal to stop is heard whatever the main thread, or another signal, is in the midst of."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest

HOLDS_WHAT_THE_SIGNAL_NEEDS = """
import signal, sys
from threading import Event, Lock
from services.runtime.stop_signals import when_told_to_stop

lock, all_heard, heard = Lock(), Event(), []

def act(by):
    with lock:
        heard.append(by.name)
    if len(heard) == 3:
        all_heard.set()

when_told_to_stop(act)
with lock:
    for name in ("SIGTERM", "SIGINT", "SIGTERM"):
        signal.raise_signal(signal.Signals[name])
all_heard.wait()
print(*heard)
"""

WAITS_FOR_AN_EVENT = """
import sys
from threading import Event
from services.runtime.stop_signals import when_told_to_stop

stop = Event()
when_told_to_stop(lambda _by: stop.set())
print("ready", flush=True)
stop.wait()
sys.stdin.read()
"""


def test_a_signal_waits_for_no_lock_that_the_main_thread_holds() -> None:
    command = [sys.executable, "-c", HOLDS_WHAT_THE_SIGNAL_NEEDS]

    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)

    assert done.stdout.split() == ["SIGTERM", "SIGINT", "SIGTERM"]


@pytest.mark.parametrize("count", [1, 500])
def test_however_many_signals_come_at_once_the_process_ends_well(count: int) -> None:
    pipe = subprocess.PIPE
    with subprocess.Popen([sys.executable, "-c", WAITS_FOR_AN_EVENT], stdin=pipe, stdout=pipe) as p:
        assert p.stdin is not None
        assert p.stdout is not None
        p.stdout.readline()
        for _ in range(count):
            p.send_signal(signal.SIGTERM)
        p.stdin.close()

        assert p.wait(60) == 0
