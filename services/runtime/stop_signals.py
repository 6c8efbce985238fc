"""SIGTERM and SIGINT, heard outside of the signal handler."""

import signal
from collections.abc import Callable
from queue import SimpleQueue
from threading import Thread


def when_told_to_stop(act: Callable[[signal.Signals], None]) -> None:
    """Have each SIGTERM and SIGINT from now on call ``act``, in a thread of its own.

    A handler runs in the midst of what the main thread does, and a second one in the midst of the
    first: to set an event there waits for ever, where either holds the event's lock. ``put`` of a
    SimpleQueue is made for that (Python's documentation of ``queue``: it is reentrant).
    """
    heard: SimpleQueue[int] = SimpleQueue()

    def listen() -> None:
        while True:
            act(signal.Signals(heard.get()))

    Thread(target=listen, name="signals", daemon=True).start()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: heard.put(got))
