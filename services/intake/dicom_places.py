"""How many associations stand at once, counted over all listener processes."""

from collections.abc import MutableSequence
from threading import Lock


class Places:
    """Places for associations.

    Each process counts in a slot of its own, so that one that was killed can be struck off;
    ``slots`` lies in shared memory where there are several.
    """

    def __init__(self, limit: int, slots: MutableSequence[int] | None = None, mine: int = 0):
        self._limit = limit
        self._slots: MutableSequence[int] = [0] if slots is None else slots
        self._mine = mine
        self._lock = Lock()

    def enter(self) -> bool:
        """Take a place; say False, and take none, where all are taken."""
        with self._lock:
            # Counted first and looked at then: two processes at once never both get the last.
            self._slots[self._mine] += 1
            if sum(self._slots) > self._limit:
                self._slots[self._mine] -= 1
                return False
            return True

    def leave(self) -> None:
        """Give a place back."""
        with self._lock:
            self._slots[self._mine] -= 1

    def taken(self) -> int:
        """Count the places taken, over all processes."""
        return sum(self._slots)
