"""The one thread that owns every pika object of a bus.

pika's connections are not thread-safe, so nothing else touches them: other threads hand in
callbacks. Heartbeats are answered here, so a handler elsewhere may take as long as it likes.
"""

import threading
import time
from collections.abc import Callable
from typing import Any

import structlog
from pika.adapters.select_connection import IOLoop

_log = structlog.get_logger(__name__)

JOIN_TIMEOUT_S = 10.0

OnFault = Callable[[Exception], None]


class IoThread:
    """Runs pika's loop; starts with the first callback."""

    def __init__(self, name: str) -> None:
        self.loop = IOLoop()
        self._thread = threading.Thread(target=self._run, name=f"{name}-amqp-io", daemon=True)
        self._lock = threading.Lock()
        self._started = False
        self._closed = False
        self._on_fault: list[OnFault] = []

    def post(self, callback: Callable[[], None]) -> bool:
        """Have the thread call ``callback`` soon; say False, and do nothing, after ``close``."""
        with self._lock:
            if self._closed:
                return False
            if not self._started:
                self._started = True
                self._thread.start()
            self.loop.add_callback_threadsafe(callback)
            return True

    def later(self, wait_s: float, callback: Callable[[], None]) -> Any:
        """Call back after a wait; only from the I/O thread. Returns a handle for ``cancel``."""
        return self.loop.call_later(wait_s, callback)

    def now_s(self) -> float:
        """Give the monotonic time in seconds."""
        return time.monotonic()

    def cancel(self, timer: Any) -> None:
        """Forget a timer; only from the I/O thread."""
        self.loop.remove_timeout(timer)

    def on_fault(self, hook: OnFault) -> None:
        """Register what to do when a callback failed: whoever owns a connection drops it."""
        self._on_fault.append(hook)

    def close(self) -> None:
        """Stop the thread once it has run what was handed in before. Safe to repeat."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            started = self._started
            if started:
                self.loop.add_callback_threadsafe(self.loop.stop)
        if started:
            self._thread.join(JOIN_TIMEOUT_S)
        if not self._thread.is_alive():
            self.loop.close()

    def _run(self) -> None:
        while True:
            try:
                self.loop.start()
            except Exception as error:  # noqa: BLE001 - the thread must outlive any callback
                _log.error("amqp_io_fault", error=repr(error), exc_info=True)
                for hook in self._on_fault:
                    hook(error)
            else:
                return
