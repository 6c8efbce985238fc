"""What pages are told while they are open: that something of a topic changed, not what.

A topic is ``<kind>:<site>`` or ``<kind>:<site>/<what>``: ``site:north``, ``room:north/dental-1``,
``study:north/1.2.3``. The page's browser hears an event named by the kind and asks for its part of
the page anew, so a doubled or lost event changes nothing but the moment.

Whoever changes what pages show calls ``tell`` in the same transaction, and ``wake`` after it.
"""

import asyncio
import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from threading import Event, Lock
from typing import Final

import structlog
from sqlalchemy import Connection

from schemas.errors import InvalidInput
from services.console import change_store
from services.console.change_store import Change
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

_TOPIC: Final = re.compile(r"^[a-z]{1,20}:[a-z0-9][a-z0-9_-]{0,63}(/[A-Za-z0-9._-]{1,100})?\Z")
_LOOK_EVERY_S: Final = 0.25
_WAIT_S: Final = 2.0
_KEEP: Final = timedelta(hours=1)
_TIDY_EVERY: Final = timedelta(minutes=5)
_MOST_WAITING: Final = 200
HEARTBEAT_S: Final = 15.0
"""Shorter than a proxy waits for a word. This and the lengths above are invented."""
MOST_OF_ONE: Final = 30
"""Open pages of one person, on all their browsers; invented."""
RELOAD: Final = "reload"
"""The event for a page that has missed too much: it asks for everything anew."""


def topic(kind: str, site: str, what: str | None = None) -> str:
    """Write a topic. Raises InvalidInput."""
    if "/" in site:
        raise InvalidInput("topic", site, "the name of a site")
    return check_topic(f"{kind}:{site}" if what is None else f"{kind}:{site}/{what}")


def check_topic(told: str) -> str:
    """Check that this is a topic. Raises InvalidInput."""
    if not _TOPIC.match(told):
        raise InvalidInput("topic", told, "kind:site or kind:site/what")
    return told


def site_of(told: str) -> str:
    """Name the site of a topic."""
    return told.partition(":")[2].partition("/")[0]


def kind_of(told: str) -> str:
    """Name the kind of a topic."""
    return told.partition(":")[0]


class TooManyLivePages(Exception):  # noqa: N818 - never leaves the console
    """As many pages listen as the settings allow."""


class Listener:
    """One open page. Filled by the feed's thread, emptied by the page's own task."""

    def __init__(self, topics: frozenset[str], whose: str) -> None:
        self.whose = whose
        self._topics = topics
        self._waiting: deque[Change | None] = deque(maxlen=_MOST_WAITING)
        self._loop = asyncio.get_running_loop()
        self._filled = asyncio.Event()
        self._ended = False

    def tell(self, changes: Sequence[Change]) -> None:
        """Take what concerns this page; from any thread."""
        wanted = [change for change in changes if change.topic in self._topics]
        if wanted:
            self._call(self._take, wanted)

    def end(self) -> None:
        """Let the page go; its browser comes back by itself."""
        self._call(self._finish)

    async def next(self) -> Sequence[Change | None] | None:
        """Wait for changes: one of each topic, the newest. Empty: a heartbeat is due.

        A change that is None: too many came at once. None instead of a list: the end.
        """
        try:
            await asyncio.wait_for(self._filled.wait(), HEARTBEAT_S)
        except TimeoutError:
            return ()
        self._filled.clear()
        if self._ended:
            return None
        newest = {None if change is None else change.topic: change for change in self._waiting}
        self._waiting.clear()
        return list(newest.values())

    def _take(self, changes: Sequence[Change]) -> None:
        if len(self._waiting) + len(changes) > _MOST_WAITING:
            self._waiting.clear()
            self._waiting.append(None)
        else:
            self._waiting.extend(changes)
        self._filled.set()

    def _finish(self) -> None:
        self._ended = True
        self._filled.set()

    def _call(self, function: Callable[..., None], *arguments: object) -> None:
        try:
            self._loop.call_soon_threadsafe(function, *arguments)
        except RuntimeError:
            log.info("live_page_gone")  # its loop has ended, and the page with it


class Changes:
    """The feed of one process: looks into the store, and tells the pages that are open here."""

    def __init__(self, store: Store, most: int) -> None:
        self._store = store
        self._most = most
        self._listeners: set[Listener] = set()
        self._lock = Lock()
        self._woken = Event()
        self._stopped = False
        self._last = -1

    def tell(self, connection: Connection, topics: Iterable[str]) -> None:
        """Write that topics changed, last in the transaction that changed them."""
        change_store.add_changes(self._store, connection, map(check_topic, topics))

    def wake(self) -> None:
        """Look at once: what was told is committed."""
        self._woken.set()

    def newest(self) -> int:
        """Give the id up to which a page that is made now has seen everything."""
        with self._store.read() as connection:
            return change_store.bounds(connection)[1]

    def missed(self, topics: frozenset[str], since: int) -> list[Change | None]:
        """Give what a page has missed since it was made; a None where that is forgotten."""
        with self._store.read() as connection:
            oldest, newest = change_store.bounds(connection)
            if since > newest or since < oldest - 1:
                return [None]
            found = change_store.changes_after(connection, since)
        return [change for change in found if change.topic in topics]

    @contextmanager
    def listening(self, topics: frozenset[str], whose: str = "") -> Iterator[Listener]:
        """Listen for the length of the block, in a running asyncio loop (TooManyLivePages).

        ``whose``: the person's key; nobody has so many open that others get none.
        """
        listener = Listener(topics, whose)
        with self._lock:
            own = sum(one.whose == whose for one in self._listeners) if whose else 0
            full = len(self._listeners) >= self._most or own >= MOST_OF_ONE
            if self._stopped or full:
                raise TooManyLivePages
            self._listeners.add(listener)
        try:
            yield listener
        finally:
            with self._lock:
                self._listeners.discard(listener)

    def run(self, stop: Event) -> None:
        """Feed the pages until stopped, then let them go."""
        tidied_at = datetime.now(UTC)
        while not stop.is_set():
            try:
                self._look()
                if datetime.now(UTC) - tidied_at > _TIDY_EVERY:
                    tidied_at = datetime.now(UTC)
                    with self._store.begin() as connection:
                        change_store.forget_before(connection, tidied_at - _KEEP)
            except StoreUnavailable as error:
                log.warning("changes_wait", reason=str(error))
                stop.wait(_WAIT_S)
            self._woken.wait(_LOOK_EVERY_S)
            self._woken.clear()
        with self._lock:
            self._stopped = True
            listeners = list(self._listeners)
        for listener in listeners:
            listener.end()

    def _look(self) -> None:
        with self._store.read() as connection:
            if self._last < 0:
                self._last = change_store.bounds(connection)[1]
            found = change_store.changes_after(connection, self._last)
        if not found:
            return
        self._last = found[-1].id
        with self._lock:
            listeners = list(self._listeners)
        for listener in listeners:
            listener.tell(found)
