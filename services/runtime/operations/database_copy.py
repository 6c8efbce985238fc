"""Copies of the store and of the embedded queues, and back, by each database's own means.

SQLite: the online backup API (sqlite.org/backup.html). PostgreSQL: ``pg_dump`` in its custom form
with an exported snapshot, so that rows are counted on the very state that is dumped
(postgresql.org/docs: pg_dump ``--snapshot``, pg_restore ``--single-transaction``).
"""

import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, inspect, text
from sqlalchemy.engine import URL

from services.runtime.bus_choice import EMBEDDED
from services.runtime.operations.manifest import BackupError
from services.runtime.store import Store

SQLITE_FILE: Final = "store.sqlite"
BUS_FILE: Final = "bus.sqlite"
DUMP_FILE: Final = "store.pgdump"


def copy_store(store: Store, bus_url: str, folder: Path) -> tuple[dict[str, int], bool]:
    """Copy the store, and the embedded queues with it; give the rows by table, and whether both
    are of one moment.

    Both in SQLite: no worker commits and no relay takes a row from its outbox while the write
    turn is ours. So a message is in the copied outbox, in the copied queue, or its effect and its
    inbox row are in the copied store: never in none of them.
    """
    if not store.is_sqlite:
        return _dump(store, folder / DUMP_FILE), False
    embedded = bus_url.startswith(EMBEDDED)
    target = folder / SQLITE_FILE
    with closing(_reader(Path(str(store.url.database)))) as source:
        with store.begin():
            source.execute("BEGIN")
            source.execute("SELECT count(*) FROM sqlite_master").fetchone()  # pins the snapshot
            if embedded:
                _copy_sqlite(Path(bus_url.removeprefix(EMBEDDED)), folder / BUS_FILE)
        with closing(sqlite3.connect(target)) as copy:
            source.backup(copy)
        source.execute("ROLLBACK")
    return rows_of_sqlite(target), embedded


def put_back(store: Store, bus_url: str, folder: Path) -> dict[str, int]:
    """Put a copied store back into an empty place; give the rows by table. Raises BackupError."""
    if not store.is_sqlite:
        _undump(store, folder / DUMP_FILE)
        with store.read() as connection:
            return rows_of(connection)
    target = Path(str(store.url.database))
    places = [(folder / SQLITE_FILE, target)]
    if bus_url.startswith(EMBEDDED) and (folder / BUS_FILE).is_file():
        places.append((folder / BUS_FILE, Path(bus_url.removeprefix(EMBEDDED))))
    for copied, place in places:
        place.parent.mkdir(parents=True, exist_ok=True)
        _copy_sqlite(copied, place)
    return rows_of_sqlite(target)


def is_empty(store: Store) -> bool:
    """Tell whether the store has no table yet."""
    if store.is_sqlite and not Path(str(store.url.database)).exists():
        return True
    with store.read() as connection:
        return not inspect(connection).get_table_names()


def rows_of(connection: Connection) -> dict[str, int]:
    """Count the rows of every table."""
    names = sorted(inspect(connection).get_table_names())
    # The names are the database's own.
    counts = {
        name: connection.scalar(text(f'SELECT count(*) FROM "{name}"'))  # noqa: S608
        for name in names
    }
    return {name: int(count or 0) for name, count in counts.items()}


def rows_of_sqlite(path: Path) -> dict[str, int]:
    """Count the rows of every table of a SQLite file, and have SQLite check the file."""
    with closing(_reader(path)) as connection:
        (verdict,) = connection.execute("PRAGMA integrity_check").fetchone()
        if verdict != "ok":
            raise BackupError(f"{path.name}: SQLite's integrity check says {verdict}")
        names = [
            name
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            )
        ]
        return {
            name: int(connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0])  # noqa: S608
            for name in sorted(names)
        }


def _reader(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{path}?mode=rw", uri=True, isolation_level=None, timeout=30)


def _copy_sqlite(source: Path, target: Path) -> None:
    if not source.is_file():
        return
    with closing(_reader(source)) as read, closing(sqlite3.connect(target)) as written:
        read.backup(written)


def _dump(store: Store, target: Path) -> dict[str, int]:
    program = _program("pg_dump")
    reading = store.engine.connect().execution_options(isolation_level="REPEATABLE READ")
    with reading as connection, connection.begin():
        snapshot = connection.scalar(text("SELECT pg_export_snapshot()"))
        _run(
            [program, "--format=custom", f"--snapshot={snapshot}", f"--file={target}"],
            store.url,
        )
        return rows_of(connection)


def _undump(store: Store, dump: Path) -> None:
    words = ["--single-transaction", "--exit-on-error", "--no-owner", "--no-privileges"]
    name = str(store.url.database)
    _run([_program("pg_restore"), *words, f"--dbname={name}", str(dump)], store.url)


def _run(command: list[str], url: URL) -> None:
    # The password goes by the environment: a command line is read by everybody.
    environment = dict(os.environ) | {
        name: str(value)
        for name, value in (
            ("PGHOST", url.host),
            ("PGPORT", url.port),
            ("PGUSER", url.username),
            ("PGPASSWORD", url.password),
            ("PGDATABASE", url.database),
            ("PGSSLMODE", url.query.get("sslmode")),
            ("PGSSLROOTCERT", url.query.get("sslrootcert")),
        )
        if value is not None
    }
    # No text of a stranger is in it.
    done = subprocess.run(  # noqa: S603
        command, env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise BackupError(f"{Path(command[0]).name}: {done.stderr.strip()}")


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise BackupError(
            f"{name}: expected it on the path, of the server's version or newer "
            "(on Debian: postgresql-client)"
        )
    return found
