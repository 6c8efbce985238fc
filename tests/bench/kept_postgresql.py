"""A private PostgreSQL whose data outlives the run, in a folder that is named."""

from __future__ import annotations

import os
import secrets
import shutil
from pathlib import Path
from typing import Final

from tests.servers.ports import free_port
from tests.servers.postgresql import UNPRIVILEGED_USER, PostgreSQL, require_postgresql

_SETTINGS: Final = """
autovacuum = off
checkpoint_timeout = 1h
max_wal_size = 8GB
wal_level = minimal
max_wal_senders = 0
"""
"""For a year that is filled at once. What is filled is not logged: a server that is killed has
lost it, and says so at its next start by empty tables."""


class KeptPostgreSQL(PostgreSQL):
    """As the tests' own, but ``close`` only stops it, and the next run finds its data."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.folder.mkdir(parents=True, exist_ok=True)
        self._process = None
        self._fsync = "off"
        self.port = free_port()
        self._programs = require_postgresql()
        self._user = UNPRIVILEGED_USER if os.geteuid() == 0 else None
        self._data = self.folder / "data"
        kept = self.folder / "password-of-this-store"
        if not kept.exists():
            kept.touch(mode=0o600)
            kept.write_text(secrets.token_urlsafe(16))
        self._password = kept.read_text()
        if self._user is not None:
            shutil.chown(self.folder, self._user, self._user)

    def url_of(self, database: str) -> str:
        """Give the address of a database that an earlier run made; the port is another."""
        return self._url_of(database)

    def close(self) -> None:
        """Stop, and leave the data."""
        self.stop()

    def _make_cluster(self) -> None:
        super()._make_cluster()
        with (self._data / "postgresql.conf").open("a") as settings:
            settings.write(_SETTINGS)
