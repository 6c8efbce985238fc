"""At most so many of something from one source within a time, kept in memory of bounded size."""

import time
from collections import OrderedDict, deque
from collections.abc import Callable
from threading import Lock


class RateLimit:
    """Counts by key, in a window that slides. Safe to use from many threads.

    ``most_keys`` bounds the memory: the key that was used longest ago is forgotten first.
    """

    def __init__(
        self,
        most: int,
        within_s: float,
        clock: Callable[[], float] = time.monotonic,
        most_keys: int = 10_000,
    ) -> None:
        self._most = most
        self._within_s = within_s
        self._clock = clock
        self._most_keys = most_keys
        self._taken: OrderedDict[str, deque[float]] = OrderedDict()
        self._lock = Lock()

    def take(self, key: str) -> float:
        """Count one and give 0.0, or give after how many seconds the next one is allowed."""
        with self._lock:
            now = self._clock()
            taken = self._taken.setdefault(key, deque())
            self._taken.move_to_end(key)
            while taken and taken[0] <= now - self._within_s:
                taken.popleft()
            if len(taken) >= self._most:
                return taken[0] + self._within_s - now
            taken.append(now)
            while len(self._taken) > self._most_keys:
                self._taken.popitem(last=False)
            return 0.0

    def forget(self, key: str) -> None:
        """Begin anew with this key: it has shown to be who it says."""
        with self._lock:
            self._taken.pop(key, None)
