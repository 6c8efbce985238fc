"""A text file that a device goes on writing: read to its last whole line, and no line twice."""

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Event
from typing import BinaryIO

import structlog

from services.intake import tail_store
from services.intake.line_keeper import LineKeeper
from services.intake.line_source import fingerprint
from services.intake.tail_store import Place, Watched

log = structlog.get_logger(__name__)

_MOST_NEIGHBOURS = 2_000


@contextmanager
def open_regular(path: Path, *, follow: bool) -> Iterator[BinaryIO]:
    """Open a regular file for reading; OSError for anything else. A pipe does not block."""
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | (0 if follow else os.O_NOFOLLOW)
    with os.fdopen(os.open(path, flags), "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise OSError(f"{path}: expected a regular file")
        yield file


class AppendedFile:
    """Follows one file.

    The place is known by the bytes before it, so a file that was cut short, replaced or written
    anew is read from its beginning; facts that were read before are then recognised by their
    natural key. A file that was renamed away (rotated) is first read to its end, where it lies in
    the same folder. Where it was renamed several times while nobody looked, the files in between
    are not found: a watched folder takes them.
    """

    def __init__(self, keeper: LineKeeper, path: Path) -> None:
        self.path = path
        self._keeper = keeper
        self._of = Watched(keeper.site.name, keeper.device.name, str(path))
        self._seen: tuple[int, ...] | None = None

    def look(self, stop: Event) -> None:
        """Keep what is new. Raises OSError or StoreUnavailable: nothing is lost, look again."""
        while not stop.is_set() and self._step():
            pass

    def _step(self) -> bool:
        """Keep one batch; tell whether there may be more."""
        with open_regular(self.path, follow=True) as file:
            now = os.fstat(file.fileno())
            seen = (now.st_ino, now.st_size, now.st_mtime_ns)
            if seen == self._seen:
                return False
            with self._keeper.store.begin() as connection:
                self._keeper.store.lock(connection, f"tail-{self._of}")
                inode = str(now.st_ino)
                place = tail_store.load(connection, self._of) or Place(inode)
                with self._former(place, inode) as former:
                    if former is None:
                        place = self._in_this_file(place, file, inode, now.st_size)
                    batch = self._keeper.read(
                        former or file, place, str(self.path), whole=former is not None
                    )
                more = batch.lines > 0
                if more:
                    self._keeper.keep(connection, self._of, place, batch)
                elif batch.unfit is not None:
                    self._keeper.keep_unfit(connection, self._of, place, batch.unfit)
                elif former is not None:
                    # Read to its end: on to the file that took its name.
                    anew = Place(inode, columns=place.columns)
                    tail_store.save(connection, self._of, anew)
                    more = True
        if more:
            self._keeper.wake()
        else:
            self._seen = seen
        return more

    def _in_this_file(self, place: Place, file: BinaryIO, inode: str, size: int) -> Place:
        if place.position <= size and fingerprint(file, place.position) == place.fingerprint:
            return replace(place, inode=inode)
        log.warning(
            "device_file_begins_anew",
            path=str(self.path),
            position=place.position,
            size=size,
        )
        # The columns stay: not every device writes its header again.
        return Place(inode, columns=place.columns)

    @contextmanager
    def _former(self, place: Place, inode: str) -> Iterator[BinaryIO | None]:
        """Find the file that was read so far, where it has another name now."""
        if place.inode != inode:
            for path in self._neighbours(place.inode):
                try:
                    with open_regular(path, follow=False) as file:
                        size = os.fstat(file.fileno()).st_size
                        known = fingerprint(file, place.position) == place.fingerprint
                        if place.position <= size and known:
                            yield file
                            return
                except FileNotFoundError:
                    log.info("device_file_gone", path=str(path))
        yield None

    def _neighbours(self, inode: str) -> list[Path]:
        found = []
        with os.scandir(self.path.parent) as entries:
            for count, entry in enumerate(entries):
                if count == _MOST_NEIGHBOURS:
                    break
                if str(entry.inode()) == inode and entry.is_file(follow_symlinks=False):
                    found.append(Path(entry.path))
        return found
