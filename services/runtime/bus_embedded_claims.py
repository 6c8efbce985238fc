"""Who holds a claim on messages, and whether that consumer still lives.

Each consumer keeps a locked file while it lives. The kernel lets go of the lock with the
process, however it ends, so no clock and no time-out is needed to see that one is gone.
"""

import fcntl
import os
import uuid
from collections.abc import Iterable, Iterator
from pathlib import Path


def _folder(bus_file: Path) -> Path:
    return bus_file.with_name(f"{bus_file.name}.consumers")


class ConsumerClaim:
    """The name under which one consumer claims messages, held until ``release``."""

    def __init__(self, bus_file: Path) -> None:
        self.name = uuid.uuid4().hex
        folder = _folder(bus_file)
        folder.mkdir(parents=True, exist_ok=True)
        self._path = folder / self.name
        self._descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        fcntl.flock(self._descriptor, fcntl.LOCK_EX)

    def release(self) -> None:
        self._path.unlink(missing_ok=True)
        os.close(self._descriptor)


def gone_consumers(bus_file: Path, names: Iterable[str]) -> Iterator[str]:
    """Give those consumers of ``names`` that live no more, and clear their files away."""
    folder = _folder(bus_file)
    for name in names:
        path = folder / name
        try:
            descriptor = os.open(path, os.O_RDWR)
        except FileNotFoundError:
            yield name
            continue
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            continue  # alive
        else:
            path.unlink(missing_ok=True)
            yield name
        finally:
            os.close(descriptor)
