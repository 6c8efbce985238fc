"""How a process that receives images keeps its memory: flat, and quick to look through."""

import ctypes
import gc
from threading import Lock

# mallopt(3) of glibc; elsewhere there is none, and nothing is set.
_MALLOPT = getattr(ctypes.CDLL(None), "mallopt", None)
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
_MOST_ARENAS = 2
_LARGE_BYTES = 1 << 20

_lock = Lock()
_settled: list[bool] = []


def settle_memory() -> None:
    """Do it once in a process, when all is loaded and before the first image.

    By itself glibc gives each thread's buffers an arena of their own, up to eight a core, and
    takes what is as large as the largest block ever freed from there: under eight stations the
    process held on to 30 MB and more of free memory, a little more with every hour. And what is
    loaded by now stays: the collector need not walk through it each time that associations end.
    """
    with _lock:
        if _settled:
            return
        _settled.append(True)
    if _MALLOPT is not None:
        _MALLOPT(_ARENA_MAX, _MOST_ARENAS)
        # Setting either ends their growing by themselves.
        _MALLOPT(_MMAP_THRESHOLD, _LARGE_BYTES)
        _MALLOPT(_TRIM_THRESHOLD, _LARGE_BYTES)
    gc.collect()
    gc.freeze()
