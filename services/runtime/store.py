"""The store: PostgreSQL for a group, SQLite embedded, one transaction shape over both."""

import fcntl
import os
import sqlite3
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from hashlib import sha256
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.pool import ConnectionPoolEntry

from schemas.errors import GomphosisError

_LOCK = text(
    "SELECT count(CASE WHEN shared THEN pg_advisory_xact_lock_shared(key) "
    "ELSE pg_advisory_xact_lock(key) END) "
    "FROM unnest(CAST(:keys AS bigint[]), CAST(:shared AS boolean[])) AS wanted(key, shared)"
)
_BUSY_TIMEOUT_MS = 30_000
_ASK_AGAIN_S = 0.0005
_CLAIM_LOOK_S = 1.0
"""How long the loss of a claim may go unseen. Invented."""

_SERVER_LOOKS = "-c tcp_keepalives_idle=15 -c tcp_keepalives_interval=5 -c tcp_keepalives_count=3"
_GONE_SILENTLY: dict[str, str | int] = {
    "connect_timeout": 30,
    "keepalives_idle": 15,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 30_000,
    "options": f"{_SERVER_LOOKS} -c tcp_user_timeout=30000",
}
"""So that each end sees within half a minute that the other's machine or network is gone; by
default that takes hours, in which the server would hold the claims of a machine without power.
PostgreSQL manual, TCP settings of the server and parameter key words of libpq (some read in the
patches that brought them, the others from memory). The numbers are invented; the URL outranks them.
"""


class StoreError(GomphosisError):
    """Root of the errors of the store."""


class StoreUnavailable(StoreError):  # noqa: N818 - a state, not a fault of the caller
    """The store cannot be reached or cannot write now. Work waits; nothing is acknowledged."""


class Store:
    """Short transactions on a relational store.

    ``url`` is a SQLAlchemy URL: ``postgresql+psycopg://…`` or ``sqlite:///…``. On SQLite every
    write transaction takes the one write lock at its start, so that it never fails half-way;
    commits reach the disk before they return (WAL, ``synchronous=FULL``).
    """

    def __init__(self, url: str, pool_size: int = 5) -> None:
        self.url = make_url(url)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        self._exclusive_here: set[str] = set()
        self._guard = threading.Lock()
        self._turns: _WriteTurns | None = None
        if self.is_sqlite:
            if self.url.database:
                Path(self.url.database).parent.mkdir(parents=True, exist_ok=True)
                self._turns = _WriteTurns(Path(f"{self.url.database}.write.lock"))
            self.engine = create_engine(self.url, pool_size=pool_size, max_overflow=20)
            _prepare_sqlite(self.engine)
        else:
            self.engine = create_engine(
                self.url,
                pool_size=pool_size,
                max_overflow=20,
                pool_pre_ping=True,
                connect_args={k: v for k, v in _GONE_SILENTLY.items() if k not in self.url.query},
            )

    @contextmanager
    def begin(self) -> Iterator[Connection]:
        """Open a write transaction; commit at the end, roll back on any error.

        Raises StoreUnavailable where the store cannot be reached or written now.
        """
        turn: AbstractContextManager[None] = self._turns.mine() if self._turns else nullcontext()
        with turn, _translated(), self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """Open a read transaction on one snapshot."""
        with _translated(), self.engine.connect() as connection:
            reading = connection.execution_options(gomphosis_read=True)
            with reading.begin():
                yield reading

    def lock(self, connection: Connection, name: str, *, shared: bool = False) -> None:
        """Hold a named lock until this transaction ends, across all workers.

        Holders that share it do not wait for each other, only for one that does not. SQLite's
        write transaction is exclusive already.
        """
        self.lock_all(connection, {name: shared})

    def lock_all(self, connection: Connection, names: Mapping[str, bool]) -> None:
        """Take named locks one after the other, in this order, in one statement; True: shared."""
        if names and not self.is_sqlite:
            keys = [_key(name) for name in names]
            # An array is unnested in its order, and a row's lock is taken as the row is made.
            connection.execute(_LOCK, {"keys": keys, "shared": list(names.values())})

    @contextmanager
    def exclusive(self, name: str) -> Iterator["Claim"]:
        """Try to be the only one, over all processes, for the length of the block.

        What it gives is false at once where another is, and from when the claim was lost: ask it
        again in each round of work. The claim of a killed process ends with it.
        """
        with self._guard:
            if name in self._exclusive_here:
                yield Claim(mine=False)
                return
            self._exclusive_here.add(name)
        try:
            with self._file_claim(name) if self.is_sqlite else self._advisory_claim(name) as mine:
                yield mine
        finally:
            with self._guard:
                self._exclusive_here.discard(name)

    @contextmanager
    def _file_claim(self, name: str) -> Iterator["Claim"]:
        path = Path(f"{self.url.database}.{name}.lock")
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                yield Claim(mine=False)
            else:
                yield Claim(mine=True)
        finally:
            os.close(descriptor)

    @contextmanager
    def _advisory_claim(self, name: str) -> Iterator["Claim"]:
        with _translated(), self.engine.connect() as connection:
            key = {"key": _key(name)}
            mine = bool(connection.scalar(text("SELECT pg_try_advisory_lock(:key)"), key))
            connection.commit()  # the lock is the session's; no transaction stays open
            claim = Claim(connection, mine=mine)
            try:
                yield claim
            finally:
                if claim:
                    connection.execute(text("SELECT pg_advisory_unlock(:key)"), key)
                    connection.commit()

    def close(self) -> None:
        self.engine.dispose()
        if self._turns is not None:
            self._turns.close()


class Claim:
    """Whether we are the only one. Where the database holds it, it ends with its session.

    A session can end alone, by the network or by an administrator, while all others of this
    process go on: so the truth of a claim is looked up anew, at most every ``_CLAIM_LOOK_S``.
    """

    def __init__(self, session: Connection | None = None, *, mine: bool) -> None:
        self._session = session
        self._mine = mine
        self._seen_at = time.monotonic()

    def __bool__(self) -> bool:
        if self._mine and self._session is not None:
            now = time.monotonic()
            if now - self._seen_at >= _CLAIM_LOOK_S:
                self._mine = _is_there(self._session)
                self._seen_at = now
        return self._mine


def _is_there(session: Connection) -> bool:
    try:
        session.execute(text("SELECT 1"))
        session.commit()
    except DBAPIError:
        return False
    return True


class _WriteTurns:
    """Who writes next to a SQLite file, over all threads and processes.

    SQLite takes one writer at a time, and by its own means the others sleep up to 100 ms before
    they look again. Here threads wake each other, and one thread of each process asks often.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._here = threading.Lock()
        self._descriptor = -1

    @contextmanager
    def mine(self) -> Iterator[None]:
        """Hold the turn for the length of the block. Raises StoreUnavailable."""
        deadline = time.monotonic() + _BUSY_TIMEOUT_MS / 1000
        if not self._here.acquire(timeout=_BUSY_TIMEOUT_MS / 1000):
            raise StoreUnavailable("store: expected its other writers to finish, they did not")
        try:
            try:
                self._take(deadline)
            except OSError as error:
                raise StoreUnavailable(f"store: its lock file: {error.strerror}") from error
            try:
                yield
            finally:
                fcntl.flock(self._descriptor, fcntl.LOCK_UN)
        finally:
            self._here.release()

    def close(self) -> None:
        """Give the descriptor back. Safe to repeat; the next turn opens it again."""
        with self._here:
            if self._descriptor >= 0:
                os.close(self._descriptor)
                self._descriptor = -1

    def _take(self, deadline: float) -> None:
        if self._descriptor < 0:
            self._descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        while True:
            try:
                fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() > deadline:
                    raise StoreUnavailable(
                        "store: expected another process to finish writing, it did not"
                    ) from None
                time.sleep(_ASK_AGAIN_S)
            else:
                return


def _key(name: str) -> int:
    """Hash a lock's name to the 64-bit number that PostgreSQL wants."""
    return int.from_bytes(sha256(name.encode()).digest()[:8], "big", signed=True)


@contextmanager
def _translated() -> Iterator[None]:
    try:
        yield
    except (OperationalError, InterfaceError) as error:
        raise StoreUnavailable(f"store: expected it to take our work, got {error.orig}") from error
    except sqlite3.OperationalError as error:  # of the BEGIN, which goes past SQLAlchemy
        raise StoreUnavailable(f"store: expected it to take our work, got {error}") from error
    except DBAPIError as error:
        if error.connection_invalidated:
            raise StoreUnavailable(f"store: connection lost ({error.orig})") from error
        raise


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _configure(connection: Any, _record: ConnectionPoolEntry) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves
        connection.execute(f"PRAGMA busy_timeout={_BUSY_TIMEOUT_MS}")
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        reading = connection.get_execution_options().get("gomphosis_read", False)
        # The driver's own: by way of SQLAlchemy it takes longer than a row's insertion.
        driver: Any = connection.connection.dbapi_connection
        driver.execute("BEGIN" if reading else "BEGIN IMMEDIATE")
