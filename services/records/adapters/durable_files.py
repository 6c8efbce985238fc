"""Files that are whole or not there: written beside, synced, renamed, and the folder synced."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from services.runtime.folders import sync_folder

_PART = ".part"


@contextmanager
def only_writer(folder: Path) -> Iterator[None]:
    """Be the only writer below a folder, over threads and processes; wait for the others.

    The claim of a killed process ends with it.
    """
    make_folder(folder)
    descriptor = os.open(folder / ".lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, each durable in its parent."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def write_durably(path: Path, content: bytes) -> None:
    """Put a file in place, whole and on disk, or leave what was there.

    A killed writer leaves at most ``<name>.part``, which the next one overwrites.
    """
    part = path.with_name(path.name + _PART)
    with part.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    sync_folder(path.parent)


def move_durably(path: Path, folder: Path) -> Path:
    """Move a file into a folder, under a free name, and give the new path."""
    make_folder(folder)
    target = folder / path.name
    count = 1
    while target.exists():
        count += 1
        target = folder / f"{path.stem}~{count}{path.suffix}"
    path.rename(target)
    sync_folder(folder)
    sync_folder(path.parent)
    return target
