"""What a worker remembers between facts, so that one new fact computes only what it can change.

Everything here is kept beside all that it was computed from, and is given back only while that
is the same. So forgetting, or another worker, changes no answer; only time is saved.
"""

from collections.abc import Callable
from threading import Lock
from typing import Final, Generic, TypeVar

Key = TypeVar("Key")
Inputs = TypeVar("Inputs")
Value = TypeVar("Value")

_MOST: Final = 512


class Remembered(Generic[Key, Inputs, Value]):
    """The last value by key, with the inputs that it came from. The oldest are forgotten."""

    def __init__(self, most: int = _MOST) -> None:
        self._most = most
        self._lock = Lock()
        self._kept: dict[Key, tuple[Inputs, Value]] = {}

    def get(self, key: Key, inputs: Inputs, compute: Callable[[], Value]) -> Value:
        """Give the value for these inputs, computed anew unless they are those of the last time."""
        with self._lock:
            kept = self._kept.get(key)
        # Equal facts are mostly the same objects, so that this costs little.
        if kept is not None and (kept[0] is inputs or kept[0] == inputs):
            return kept[1]
        value = compute()
        self.put(key, inputs, value)
        return value

    def put(self, key: Key, inputs: Inputs, value: Value) -> None:
        """Keep a value in place of the last one."""
        with self._lock:
            self._kept.pop(key, None)
            self._kept[key] = inputs, value
            while len(self._kept) > self._most:
                del self._kept[next(iter(self._kept))]
