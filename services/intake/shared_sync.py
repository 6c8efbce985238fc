"""One sync of a folder for all who have put a name into it meanwhile."""

from pathlib import Path
from threading import Lock

from services.runtime.folders import sync_folder

_MOST_REMEMBERED = 64


class SharedSync:
    """Makes names in folders durable. Safe to use from many threads.

    Whoever comes while a sync runs waits for the next, which is then one for all of them.
    """

    def __init__(self) -> None:
        self._guard = Lock()
        self._syncing = Lock()
        self._asked = 0
        self._synced: dict[Path, int] = {}

    @property
    def asked(self) -> int:
        """Count the calls of ``sync``."""
        return self._asked

    def sync(self, folder: Path) -> None:
        """Return once all names that were in the folder at the call are on the disk.

        Raises OSError.
        """
        with self._guard:
            self._asked += 1
            mine = self._asked
        with self._syncing:
            if self._synced.get(folder, 0) >= mine:
                return
            with self._guard:
                reached = self._asked
            sync_folder(folder)
            if len(self._synced) >= _MOST_REMEMBERED:
                self._synced.clear()  # costs a sync at most
            self._synced[folder] = reached
