"""A process of its own that uses the bus, so that a test can kill it.

Started as ``python -m tests.contract.bus_child <role> <url> <limits as JSON>``. It tells what it
does line by line on standard output.
"""

import json
import logging
import os
import signal
import sys
import threading
from collections.abc import Sequence
from dataclasses import asdict

import structlog

from services.runtime.bus import Bus, BusLimits, Delivery, Done, Outcome
from services.runtime.bus_choice import open_bus
from tests.contract.bus_cases import WORK, message

POISON = "poison"


def say(text: str) -> None:
    """Print one line, at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def hold(bus: Bus) -> None:
    """Take a batch and never answer."""

    def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
        for delivery in deliveries:
            say(delivery.message_id)
        threading.Event().wait()
        return []

    bus.consume(WORK, handle, threading.Event())


def work(bus: Bus) -> None:
    """Answer all messages, but die of the poison; end once it has come with its reason."""
    stop = threading.Event()

    def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
        for delivery in deliveries:
            if delivery.message_id == POISON and delivery.dead_reason is None:
                os.kill(os.getpid(), signal.SIGKILL)
        for delivery in deliveries:
            say(json.dumps([delivery.message_id, delivery.dead_reason]))
            if delivery.dead_reason is not None:
                stop.set()
        return [Done()] * len(deliveries)

    bus.consume(WORK, handle, stop)


def publish(bus: Bus) -> None:
    """Publish without end; tell after each call which messages are safe."""
    number = 0
    while True:
        batch = [message(str(number + i)) for i in range(7)]
        bus.publish(batch)
        for one in batch:
            say(one.message_id)
        number += len(batch)


ROLES = {"hold": hold, "work": work, "publish": publish}


def limits_text(limits: BusLimits) -> str:
    """Write limits for the command line."""
    return json.dumps(asdict(limits))


def main() -> None:
    """Play the role that the command line names."""
    logging.basicConfig(level=logging.CRITICAL)
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    role, url, text = sys.argv[1:]
    given = json.loads(text)
    given["retry_waits_s"] = tuple(given["retry_waits_s"])
    ROLES[role](open_bus(url, BusLimits(**given), "bus-child"))


if __name__ == "__main__":
    main()
