"""A store at the newest schema, without a quarter of a second of migrations for each test."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from services.runtime.migrate import migrate
from services.runtime.store import Store

_FILE = "store.sqlite"


def bring_to_newest(store: Store) -> None:
    """Do as ``migrate`` does; a new SQLite file becomes a copy of one that it was done to."""
    address = store.engine.url
    if address.get_backend_name() == "sqlite" and address.database:
        file = Path(address.database)
        if not file.exists():
            shutil.copyfile(migrated(), file)
    migrate(store)


@cache
def migrated() -> Path:
    """Give a SQLite file at the newest schema, to be copied; made once for each process."""
    folder = Path(tempfile.mkdtemp(prefix="gomphosis-newest-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    store = Store(f"sqlite:///{folder / _FILE}")
    migrate(store)
    store.close()
    return folder / _FILE
