"""What every worker under measurement is told, and the mark of its first message."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, field
from pathlib import Path

QUEUE_IN, QUEUE_OUT = "bench-in", "bench-out"
PREFETCH = 100
ASYNC_CONNECTIONS = 10
PREFIX = "GOMPHOSIS_TEST_BENCH_"


@dataclass(slots=True)
class Task:
    """``body`` is the text that every message carries, and that every handler sends on. ``keeps``:
    a row for each message is to be kept before it is sent on."""

    amqp_url: str
    store_url: str
    bus_url: str
    confirms: bool
    keeps: bool
    body: str
    count: int
    mark: Path
    _marked: bool = field(default=False)

    def environment(self) -> dict[str, str]:
        """Return what the worker's process reads back by ``from_environment``."""
        return {
            f"{PREFIX}AMQP_URL": self.amqp_url,
            f"{PREFIX}STORE_URL": self.store_url,
            f"{PREFIX}BUS_URL": self.bus_url,
            f"{PREFIX}CONFIRMS": str(int(self.confirms)),
            f"{PREFIX}KEEPS": str(int(self.keeps)),
            f"{PREFIX}BODY": self.body,
            f"{PREFIX}COUNT": str(self.count),
            f"{PREFIX}MARK": str(self.mark),
        }

    @classmethod
    def from_environment(cls) -> Task:
        told = {key.removeprefix(PREFIX): value for key, value in os.environ.items()}
        return cls(
            told["AMQP_URL"],
            told["STORE_URL"],
            told["BUS_URL"],
            told["CONFIRMS"] == "1",
            told["KEEPS"] == "1",
            told["BODY"],
            int(told["COUNT"]),
            Path(told["MARK"]),
        )

    def began(self) -> None:
        """Write down when the first message reached the handler; later calls do nothing.

        The clock is CLOCK_MONOTONIC, which all processes of a machine share.
        """
        if not self._marked:
            self._marked = True
            partial = self.mark.with_suffix(".part")
            partial.write_text(str(time.monotonic()))
            partial.rename(self.mark)
