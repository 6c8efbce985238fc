"""The record's database: short transactions, and its errors in the port's words.

SQLSTATE classes are those of PostgreSQL's documentation, appendix A (error codes); SQLite's are
its result codes (sqlite.org/rescode.html; from memory).
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final
from urllib.parse import quote

import psycopg
from sqlalchemy import Connection, Dialect, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.pool import ConnectionPoolEntry, NullPool

from services.records.adapters.sql_barred import barred
from services.records.adapters.sql_options import SqlOptions
from services.records.port import RecordRefused, RecordUnavailable

APPLICATION: Final = "gomphosis"

# Class 22 data exception, 23 integrity constraint violation; P0001 raise_exception of a trigger.
_OF_THE_ROW: Final[tuple[str, ...]] = ("22", "23", "P0001")
# 0A feature not supported, 28 invalid authorization, 3D and 3F wrong database or schema,
# 42 syntax error or access rule violation: a table, a column, a constraint or a right is missing.
_OF_THE_SET_UP: Final[tuple[str, ...]] = ("0A", "28", "3D", "3F", "42")

_SQLITE_OF_THE_ROW: Final = ("SQLITE_CONSTRAINT", "SQLITE_TOOBIG", "SQLITE_MISMATCH")
_SQLITE_OF_THE_SET_UP: Final = (
    "SQLITE_ERROR",
    "SQLITE_READONLY",
    "SQLITE_NOTADB",
    "SQLITE_CORRUPT",
    "SQLITE_AUTH",
    "SQLITE_PERM",
)


class StagingRefusal(Exception):  # noqa: N818 - the record's answer, not a fault
    """The database will not take this row: one of its own constraints or triggers says why."""


class RecordDatabase:
    """Opens transactions. Connections are made when first needed, and anew after an outage."""

    def __init__(self, options: SqlOptions) -> None:
        self._where = options.where
        self.is_sqlite = options.url.get_backend_name() == "sqlite"
        engine = _sqlite(options) if self.is_sqlite else _postgresql(options)
        self._disposed = engine
        self._engine = engine.execution_options(schema_translate_map={None: options.schema})

    @contextmanager
    def posting(self) -> Iterator[Connection]:
        """Open a write transaction for one posting. Raises StagingRefusal, and as ``writing``."""
        with self._translated(), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Open a write transaction; commit at the end, roll back on any error.

        Raises RecordUnavailable (also where nobody knows whether it was committed), and
        RecordRefused.
        """
        with _no_refusal(self._where), self.posting() as connection:
            yield connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a read transaction on one snapshot. Raises as ``writing`` does."""
        with _no_refusal(self._where), self._translated(), self._engine.connect() as connection:
            reading = connection.execution_options(
                gomphosis_read=True,
                **({} if self.is_sqlite else {"isolation_level": "REPEATABLE READ"}),
            )
            with reading.begin():
                yield reading

    def close(self) -> None:
        """Let go of connections. Safe to repeat."""
        self._disposed.dispose()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            raise _in_our_words(self._where, error) from error
        except PoolTimeout as error:
            raise RecordUnavailable(f"{self._where}: no connection became free") from error
        except (ValueError, ArithmeticError) as error:
            raise RecordRefused(
                f"{self._where}: expected a row as we wrote it ({error}); put it right there"
            ) from error


@contextmanager
def _no_refusal(where: str) -> Iterator[None]:
    """Turn a refusal into one that a person must see to, where there is no posting to reject."""
    try:
        yield
    except StagingRefusal as refusal:
        raise RecordRefused(f"{where}: {refusal}") from refusal


def _in_our_words(
    where: str, error: DBAPIError
) -> StagingRefusal | RecordUnavailable | RecordRefused:
    cause = error.orig
    if isinstance(cause, psycopg.Error):
        # The primary message alone: the detail may hold a patient's values.
        told = cause.diag.message_primary or str(cause)
        code = cause.sqlstate or ""
        row, set_up = _OF_THE_ROW, _OF_THE_SET_UP
    else:
        told, code = str(cause), str(getattr(cause, "sqlite_errorname", ""))
        row, set_up = _SQLITE_OF_THE_ROW, _SQLITE_OF_THE_SET_UP
    words = " ".join(told.split())
    if not error.connection_invalidated and code.startswith(row):
        return StagingRefusal(f"the record's database refuses it: {words}")
    if not error.connection_invalidated and code.startswith(set_up):
        return RecordRefused(f"{where}: {words}; see 'gomphosis check'")
    # Only a connection that did not come about says nothing by code.
    bar = barred(where, words) if isinstance(cause, psycopg.OperationalError) and not code else None
    return bar or RecordUnavailable(f"{where}: {words}")


def _postgresql(options: SqlOptions) -> Engine:
    wait_s, wait_ms = max(int(options.timeout_s), 1), int(options.timeout_s * 1000)
    engine = create_engine(
        options.url,
        pool_size=2,
        max_overflow=4,
        pool_timeout=options.timeout_s,
        pool_pre_ping=True,
        # The values of a failed statement are patients' data and have no place in a log.
        hide_parameters=True,
        connect_args={
            "application_name": APPLICATION,
            "connect_timeout": max(wait_s, 2),  # libpq takes no less
            "keepalives_idle": wait_s,
            "tcp_user_timeout": wait_ms,
            # A pooler in between may know nothing of statements that were prepared before.
            "prepare_threshold": None,
        },
    )

    @event.listens_for(engine, "do_connect")
    def _as_the_url_says_now(
        _dialect: Dialect, _record: ConnectionPoolEntry, _given: Any, named: dict[str, Any]
    ) -> None:
        # A password that was changed is taken up without a restart.
        url = options.url_now()
        named.update({"user": url.username, "password": url.password})

    @event.listens_for(engine, "connect")
    def _configure(connection: Any, _record: ConnectionPoolEntry) -> None:
        settings = {
            "timezone": "UTC",
            "datestyle": "ISO, YMD",
            "client_encoding": "UTF8",
            # Below the next, or a lock would never be what is named.
            "lock_timeout": f"{max(wait_ms * 3 // 4, 1)}ms",
            "statement_timeout": f"{wait_ms}ms",
            "idle_in_transaction_session_timeout": f"{10 * wait_ms}ms",
        }
        for name, value in settings.items():
            connection.execute("SELECT set_config(%s, %s, false)", (name, value))
        connection.commit()

    return engine


def _sqlite(options: SqlOptions) -> Engine:
    # A file that is away for a while must not be made anew, empty: mode=rw.
    address = f"file:{quote(options.url.database or '')}?mode=rw"

    def _open() -> sqlite3.Connection:
        connection = sqlite3.connect(
            address,
            uri=True,
            timeout=options.timeout_s,
            isolation_level=None,  # we say BEGIN ourselves
            check_same_thread=False,
        )
        # One text of the record's that is no UTF-8 must not keep all others from us.
        connection.text_factory = lambda told: told.decode("utf-8", "replace")
        connection.execute("PRAGMA synchronous=FULL")
        return connection

    engine = create_engine("sqlite://", creator=_open, poolclass=NullPool, hide_parameters=True)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        reading = connection.get_execution_options().get("gomphosis_read", False)
        connection.exec_driver_sql("BEGIN" if reading else "BEGIN IMMEDIATE")

    return engine
