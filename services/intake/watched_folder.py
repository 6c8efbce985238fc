"""A folder into which a device's files are dropped whole: each is read once and moved away.

::

    <folder>/<file>             waits; a name that begins with '.' or ends in .part or .tmp is left
    <folder>/taken/<file>       was read; its bad lines, if any, are in the triage
    <folder>/rejected/<file>    could not be read at all; the triage says why

Whoever writes here should write beside and rename. A file written in place is taken once it did
not change between two looks.
"""

import os
import stat
from pathlib import Path
from threading import Event
from typing import BinaryIO

import structlog

from services.intake import tail_store
from services.intake.appended_file import open_regular
from services.intake.device_cells import HeaderUnfit
from services.intake.line_keeper import LineKeeper
from services.intake.line_source import fingerprint
from services.intake.tail_store import LONGEST_PATH, Place, Watched
from services.runtime.folders import sync_folder

log = structlog.get_logger(__name__)

TAKEN, REJECTED = "taken", "rejected"
_UNFINISHED = (".part", ".tmp")

Look = tuple[int, int, int]


class WatchedFolder:
    """Reads what is dropped into one folder, by name."""

    def __init__(self, keeper: LineKeeper, folder: Path) -> None:
        self.path = folder
        self._keeper = keeper
        self._before: dict[str, Look] = {}

    def look(self, stop: Event) -> None:
        """Keep every file that is whole. Raises OSError or StoreUnavailable: look again."""
        now = self._waiting()
        settled = [name for name, look in now.items() if self._before.get(name) == look]
        self._before = now
        for name in settled:
            if stop.is_set():
                return
            try:
                self._take(self.path / name, stop)
            except FileNotFoundError:
                log.info("dropped_file_gone", path=str(self.path / name))

    def _waiting(self) -> dict[str, Look]:
        found = {}
        with os.scandir(self.path) as entries:
            for entry in entries:
                if entry.name.startswith(".") or entry.name.endswith(_UNFINISHED):
                    continue
                told = entry.stat(follow_symlinks=False)
                if not stat.S_ISDIR(told.st_mode):
                    found[entry.name] = (told.st_ino, told.st_size, told.st_mtime_ns)
        return dict(sorted(found.items()))

    def _take(self, path: Path, stop: Event) -> None:
        shown = str(path)
        if not shown.isprintable() or len(shown) > LONGEST_PATH or not _is_regular(path):
            self._reject(path)
            return
        of = Watched(self._keeper.site.name, self._keeper.device.name, shown)
        with open_regular(path, follow=False) as file:
            place = self._step(file, of)
            while not place.done:
                if stop.is_set():
                    return
                place = self._step(file, of)
        move_aside(path, self.path / (REJECTED if place.held else TAKEN))
        with self._keeper.store.begin() as connection:
            tail_store.forget(connection, of)
        log.info("dropped_file_read", path=shown, lines=place.line, rejected=bool(place.held))

    def _step(self, file: BinaryIO, of: Watched) -> Place:
        """Keep one batch, or that the file is done."""
        now = os.fstat(file.fileno())
        with self._keeper.store.begin() as connection:
            self._keeper.store.lock(connection, f"tail-{of}")
            place = tail_store.load(connection, of)
            if place is None or not _is_same(place, file, now):
                place = Place(str(now.st_ino))
            if place.done and place.position == now.st_size:
                return place  # ended between its last line and its move
            place.done = False
            batch = self._keeper.read(file, place, of.path, whole=True)
            if batch.lines:
                self._keeper.keep(connection, of, place, batch)
            elif batch.unfit is not None:
                place.done = True
                self._keeper.keep_unfit(connection, of, place, batch.unfit)
            else:
                place.done = True
                tail_store.save(connection, of, place)
        self._keeper.wake()
        return place

    def _reject(self, path: Path) -> None:
        """Put away what is no file of ours to read, and tell a person."""
        error = HeaderUnfit(
            "file", path.name, f"a regular file with a printable path of at most {LONGEST_PATH}"
        )
        of = Watched(self._keeper.site.name, self._keeper.device.name, ascii(str(path))[:200])
        with self._keeper.store.begin() as connection:
            self._keeper.keep_unfit(connection, of, Place("0"), error)
            tail_store.forget(connection, of)
        move_aside(path, self.path / REJECTED)


def _is_regular(path: Path) -> bool:
    return stat.S_ISREG(path.lstat().st_mode)


def _is_same(place: Place, file: BinaryIO, now: os.stat_result) -> bool:
    return (
        place.inode == str(now.st_ino)
        and place.position <= now.st_size
        and fingerprint(file, place.position) == place.fingerprint
    )


def move_aside(path: Path, folder: Path) -> Path:
    """Move a file into a folder under a free name, durably; give the new path."""
    folder.mkdir(exist_ok=True)
    target, count = folder / path.name, 1
    while target.exists() or target.is_symlink():
        count += 1
        target = folder / f"{path.stem[:200]}~{count}{path.suffix[:40]}"
    path.rename(target)
    for changed in (folder, path.parent):
        sync_folder(changed)
    return target
