"""Images per second accepted: ours durably, the peers as they come."""

from __future__ import annotations

import os
import time
from pathlib import Path
from statistics import median

from tests.bench.figures import BenchError, Figure, Options, rotated
from tests.bench.invented_images import full_size_image, write_image
from tests.bench.receivers import (
    OURS,
    RECEIVERS,
    Receiver,
    echo_arguments,
    running_receiver,
    sender,
    sender_environment,
)
from tests.bench.workplace import Child, Workplace, discard

ASSOCIATIONS = (1, 8)
SEND_TIMEOUT_S = 300.0


def measure(options: Options, place: Workplace) -> Figure:
    """Send the same files from the same sender to each receiver in turn."""
    figure = Figure("images", "invented intraoral images of 2.2 MB accepted by C-STORE", rates=True)
    figure.remarks = [
        "ours: file and its folder synced, fact committed with sync, then the success status; "
        "every image is checked, and its fact is published on the bus beside that",
        "peers: file written without sync, no check, no fact; a power cut loses images that "
        "they have acknowledged",
        "sender: DCMTK storescu, one process an association, TCP_NODELAY=1, 1 MiB TCP buffers, "
        "PDUs of 128 KiB; its start is within the time, which flatters the slower receiver",
        "the disk is synced before each measurement, so that nobody pays for another's writes",
    ]
    one = options.choose(400, 20)
    each_of_eight = options.choose(50, 4)
    warm_up, *batches = _make_images(place, [4, one, *[each_of_eight] * 8])
    sets = {1: batches[:1], 8: batches[1:]}
    starts_ms: list[float] = []
    cpu_ms: dict[str, list[float]] = {name: [] for name in RECEIVERS}
    for number in range(options.rounds):
        for name in rotated(RECEIVERS, number):
            folder = place.subfolder("receiver")
            with running_receiver(place, name, folder) as receiver:
                _send(place, receiver, [warm_up], folder)
                starts_ms.append(_start_ms(place, receiver))
                for associations in ASSOCIATIONS:
                    before_ms = receiver.cpu_ms()
                    rate = _send(place, receiver, sets[associations], folder)
                    images = sum(1 for one in sets[associations] for _ in one.iterdir())
                    setting = f"{associations} association{'s' * (associations > 1)}"
                    figure.note(name, setting, "images/s", rate, ours=name in OURS)
                # Of the largest number of associations; the rate depends on who else is busy.
                cpu_ms[name].append((receiver.cpu_ms() - before_ms) / images)
            discard(folder)
    used = "; ".join(f"{name} {median(values):.1f}" for name, values in cpu_ms.items())
    figure.remarks.append(
        f"processor time of the receiver, user and system, in ms an image at {ASSOCIATIONS[-1]} "
        f"associations (of services alone, without broker and database): {used}"
    )
    figure.remarks.append(
        f"a DCMTK program's start, association and end without an image: {median(starts_ms):.0f} ms"
    )
    return figure


def _make_images(place: Workplace, sizes: list[int]) -> list[Path]:
    folders = []
    begin = 0
    for size in sizes:
        folder = place.subfolder("images")
        # One by one: a few hundred at once would fill the memory.
        for number in range(begin, begin + size):
            write_image(folder / f"{number:05d}.dcm", full_size_image(number))
        begin += size
        folders.append(folder)
    return folders


def _start_ms(place: Workplace, receiver: Receiver) -> float:
    began = time.perf_counter()
    done = place.dcmtk().run("echoscu", echo_arguments(receiver.port))
    if done.returncode != 0:
        raise BenchError("images: expected the receiver to answer C-ECHO", done.stdout)
    return (time.perf_counter() - began) * 1000


def _send(place: Workplace, receiver: Receiver, folders: list[Path], folder: Path) -> float:
    """Send each folder in an association of its own, all at once; give images per second."""
    count = sum(1 for one in folders for _ in one.iterdir())
    before = receiver.kept()
    os.sync()
    began = time.perf_counter()
    senders = [
        Child(
            f"sender-{number}",
            sender(place.dcmtk(), receiver.port, images),
            sender_environment(),
            folder,
        )
        for number, images in enumerate(folders)
    ]
    try:
        for child in senders:
            child.finish(SEND_TIMEOUT_S)
        took_s = time.perf_counter() - began
    finally:
        for child in senders:
            child.kill()
    kept = receiver.kept() - before
    if kept != count:
        raise BenchError(f"images: sent {count}, but the receiver kept {kept}")
    return count / took_s
