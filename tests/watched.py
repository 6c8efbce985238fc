"""A store, a generator's text that is watched, and what came of its lines."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import Any

from sqlalchemy import func, select

from schemas.envelope import Message, Payload
from schemas.facts import ExposureEnded
from schemas.group import Group
from schemas.mappings import DeviceMapping, load_mapping
from schemas.messages import parse
from services.intake.appended_file import AppendedFile
from services.intake.line_keeper import LineKeeper
from services.intake.store import FACT
from services.intake.watched_folder import WatchedFolder
from services.runtime import triage
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import open_bus
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from tests.device_text import exposure_line
from tests.intake_support import GROUP
from tests.newest_schema import bring_to_newest

MAPPING = load_mapping()
NEVER = Event()


class Desk:
    """A store, a device's keeper, and what came of its lines."""

    def __init__(self, url: str, folder: Path, mapping: DeviceMapping = MAPPING) -> None:
        self.folder = folder
        self.store = Store(url)
        self.bus = open_bus(f"embedded:{folder / 'bus.sqlite'}", BusLimits(), "test")
        self.keeper = self.keeper_of(mapping)
        self.log = folder / "device.log"
        self.drops = folder / "drops"
        self.drops.mkdir(exist_ok=True)

    def keeper_of(self, mapping: DeviceMapping) -> LineKeeper:
        site = Group.model_validate_json(json.dumps(GROUP)).site("north")
        device = site.device("generator-1")
        assert device is not None
        relay = Relay("intake", self.store, self.bus)
        return LineKeeper("intake", "invented-group", site, device, mapping, self.store, relay)

    def close(self) -> None:
        self.bus.close()
        self.store.close()

    def follow(self) -> None:
        """Look at the log as a process that was just started does."""
        AppendedFile(self.keeper, self.log).look(NEVER)

    def take(self) -> None:
        """Look twice at the folder: a file counts once it did not change in between."""
        folder = WatchedFolder(self.keeper, self.drops)
        folder.look(NEVER)
        folder.look(NEVER)

    def write(self, *lines: str, end: str = "\n", mode: str = "a") -> None:
        with self.log.open(mode, encoding="utf-8", newline="") as file:
            file.write("".join(line + end for line in lines))

    def facts(self) -> list[Message[Payload]]:
        with self.store.read() as connection:
            query = select(FACT.c.body).order_by(FACT.c.natural_key)
            return [parse(body) for body in connection.execute(query).scalars()]

    def shots(self) -> list[int]:
        """The counters of every exposure that was kept, in order."""
        told = [fact.payload for fact in self.facts()]
        return sorted(
            exposure.exposure_counter
            for exposure in told
            if isinstance(exposure, ExposureEnded) and exposure.exposure_counter is not None
        )

    def sent(self) -> int:
        with self.store.read() as connection:
            return int(connection.scalar(select(func.count()).select_from(OUTBOX)) or 0)

    def triage(self) -> list[Any]:
        with self.store.read() as connection:
            return list(triage.entries(connection))

    def names(self, folder: str) -> list[str]:
        path = self.drops / folder
        return sorted(one.name for one in path.iterdir()) if path.is_dir() else []


def shot(number: int) -> str:
    return exposure_line(number, time=f"10:{number % 60:02}:00")


@contextmanager
def opened_desk(url: str, folder: Path) -> Iterator[Desk]:
    """Give a desk over a store of its own, with its tables."""
    made = Desk(url, folder)
    bring_to_newest(made.store)
    yield made
    made.close()
