"""Kill intake again and again while stations store and devices post: nothing lost, nothing twice.

``python -m tests.soak.kill_intake --kills 100``
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event, Lock, Thread
from typing import Any

import httpx
from pydicom import dcmread
from pydicom.dataset import Dataset
from sqlalchemy import func, select

from schemas.facts import ExposureEnded, ImageStored
from services.intake.store import IMAGE
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import open_bus
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from tests.intake_process import IntakeProcess
from tests.intake_support import HOST, INTRAORAL, TOKENS, association, make_image
from tests.servers.polling import wait_until

SUCCESS = 0x0000
FACTS_IN_BATCH = 5
LONGEST_LIFE_S = 2.0
"""A process is killed at a random moment within this time of being ready."""

PATIENCE_S = 180.0


@dataclass
class Told:
    """What was acknowledged. Written by many threads."""

    images: dict[str, str] = field(default_factory=dict)
    exposures: set[int] = field(default_factory=set)
    lock: Lock = field(default_factory=Lock)


@dataclass(frozen=True)
class Outcome:
    """How a campaign ended: counts of what was acknowledged, and every wrong found."""

    kills: int
    images: int
    facts: int
    wrong: list[str]


class Campaign:
    """One run on a folder of its own.

    Parameters
    ----------
    processes
        How many processes accept from the DICOM port.
    seed
        Of the moments and of the images' sizes.
    """

    def __init__(
        self, folder: Path, kills: int, senders: int, posters: int, processes: int, seed: int
    ) -> None:
        self._intake = IntakeProcess(
            folder / "intake", GOMPHOSIS_INTAKE__DICOM_PROCESSES=str(processes)
        )
        self._kills = kills
        self._senders = senders
        self._posters = posters
        self._random = random.Random(seed)
        self._told = Told()
        self._enough = Event()
        self._broken = False

    def run(self) -> Outcome:
        """Kill as often as wanted, let everybody finish, and look at what is there."""
        self._intake.start()
        threads = [
            Thread(target=self._send, args=(number, self._random.random()), name=f"send-{number}")
            for number in range(1, self._senders + 1)
        ]
        threads += [
            Thread(target=self._post, args=(number,), name=f"post-{number}")
            for number in range(1, self._posters + 1)
        ]
        for thread in threads:
            thread.start()
        try:
            for _ in range(self._kills):
                self._enough.wait(self._random.uniform(0.0, LONGEST_LIFE_S))
                self._intake.end(signal.SIGKILL)
                self._intake.start()
            self._enough.set()
            for thread in threads:
                thread.join(PATIENCE_S)
            self._wait_until_published()
            stuck = [f"{thread.name} did not finish" for thread in threads if thread.is_alive()]
            wrong = stuck or self._look()
        except BaseException:
            self._broken = True
            raise
        finally:
            self._enough.set()
            self._intake.close()
        return Outcome(self._kills, len(self._told.images), len(self._told.exposures), wrong)

    def _send(self, number: int, seed: float) -> None:
        """Store image after image; one that was not acknowledged is sent again until it is."""
        sizes = random.Random(seed)
        pending: Dataset | None = None
        count = 0
        while not self._broken and (pending is not None or not self._enough.is_set()):
            try:
                with association(self._intake.dicom_port, INTRAORAL) as peer:
                    while peer.is_established and (
                        pending is not None or not self._enough.is_set()
                    ):
                        if pending is None:
                            count += 1
                            pending = _image(f"2.25.8{number:02}{count:07}", sizes)
                        if peer.send_c_store(pending).get("Status") != SUCCESS:
                            break
                        with self._told.lock:
                            uid = str(pending.SOPInstanceUID)
                            self._told.images[uid] = _hash(pending.PixelData)
                        pending = None
            except (OSError, RuntimeError, ValueError):
                continue  # killed under us; the loop sends it again

    def _post(self, number: int) -> None:
        """Post batch after batch; one that was not acknowledged is posted again until it is."""
        headers = {"Authorization": f"Bearer {TOKENS['generator-1']}"}
        begin = number * 1_000_000
        while not self._enough.is_set():
            counters = range(begin, begin + FACTS_IN_BATCH)
            body = json.dumps([_exposure(counter) for counter in counters])
            if self._repeat(lambda body=body: _posted(self._intake, headers, body)):  # type: ignore[misc]
                with self._told.lock:
                    self._told.exposures.update(counters)
            begin += FACTS_IN_BATCH

    def _repeat(self, attempt: Callable[[], bool]) -> bool:
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline and not self._broken:
            if attempt():
                return True
        return False

    def _wait_until_published(self) -> None:
        store = Store(self._intake.settings.store_url)
        try:

            def nothing_waits() -> bool:
                with store.read() as connection:
                    return connection.scalar(select(func.count()).select_from(OUTBOX)) == 0

            wait_until(nothing_waits, PATIENCE_S, "everything to be on the bus")
        finally:
            store.close()

    def _look(self) -> list[str]:
        """Compare what is there with what was acknowledged; every difference is a sentence."""
        facts = self._intake.facts()
        images = [fact.payload for fact in facts if isinstance(fact.payload, ImageStored)]
        exposures = [
            fact.payload.exposure_counter
            for fact in facts
            if isinstance(fact.payload, ExposureEnded)
        ]
        root = self._intake.settings.images_dir
        wrong = [
            *_differences(
                "image", Counter(image.sop_instance_uid for image in images), set(self._told.images)
            ),
            *_differences("exposure", Counter(exposures), self._told.exposures),
        ]
        wrong += [
            f"image {image.sop_instance_uid}: another content on disk"
            for image in images
            if _hash(dcmread(root / image.path).PixelData)
            != self._told.images.get(image.sop_instance_uid)
        ]
        on_disk = {str(path.relative_to(root)) for path in root.rglob("*") if path.is_file()}
        wrong += [
            f"file {path}: no fact names it, or it is missing"
            for path in on_disk ^ {image.path for image in images}
        ]
        store = Store(self._intake.settings.store_url)
        with store.read() as connection:
            rows = connection.scalar(select(func.count()).select_from(IMAGE))
        store.close()
        if rows != len(images):
            wrong.append(f"table of images: expected {len(images)} rows, found {rows}")
        bus = open_bus(self._intake.settings.bus_url, BusLimits(), "soak")
        depth = bus.depth("assessment")
        bus.close()
        if depth < len(facts):  # more is allowed: at least once
            wrong.append(f"queue of the assessment: expected {len(facts)} facts, found {depth}")
        return wrong


def _differences(what: str, found: Counter[Any], acknowledged: set[Any]) -> list[str]:
    lost = [f"{what} {one}: acknowledged and lost" for one in acknowledged - set(found)]
    doubled = [f"{what} {one}: kept {count} times" for one, count in found.items() if count > 1]
    # Each sender goes on until its last is acknowledged, so nothing else may be there.
    strange = [f"{what} {one}: kept, though never told of" for one in set(found) - acknowledged]
    return lost + doubled + strange


def _image(uid: str, sizes: random.Random) -> Dataset:
    rows = sizes.choice((32, 128, 512))
    pixels = hashlib.sha256(uid.encode()).digest() * (rows * rows * 2 // 32)
    return make_image(SOPInstanceUID=uid, Rows=rows, Columns=rows, PixelData=pixels)


def _exposure(counter: int) -> dict[str, Any]:
    payload = ExposureEnded.EXAMPLES[0] | {"exposure_counter": counter}
    return {
        "kind": "exposure_ended",
        "occurred_at": "2026-03-02T10:20:00+01:00",
        "payload": payload,
    }


def _posted(intake: IntakeProcess, headers: dict[str, str], body: str) -> bool:
    url = f"http://{HOST}:{intake.http_port}/facts"
    try:
        return httpx.post(url, content=body, headers=headers, timeout=30).status_code == 200
    except httpx.HTTPError:
        return False


def _hash(pixels: bytes) -> str:
    return hashlib.sha256(pixels).hexdigest()


def main() -> int:
    """Run a campaign from the command line; 0 where nothing was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--senders", type=int, default=4)
    parser.add_argument("--posters", type=int, default=2)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    chosen = parser.parse_args()
    print(f"seed {chosen.seed}", flush=True)
    with tempfile.TemporaryDirectory(prefix="gomphosis-soak-") as folder:
        campaign = Campaign(
            Path(folder),
            chosen.kills,
            chosen.senders,
            chosen.posters,
            chosen.processes,
            chosen.seed,
        )
        outcome = campaign.run()
    print(
        f"{outcome.kills} kills, {outcome.images} images and {outcome.facts} exposures "
        f"acknowledged, {len(outcome.wrong)} wrong"
    )
    for line in outcome.wrong[:50]:
        print(f"  {line}")
    return 1 if outcome.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
