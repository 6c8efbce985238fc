"""A store with the tables that the records service needs."""

from __future__ import annotations

from importlib import import_module

from alembic.migration import MigrationContext
from alembic.operations import Operations

from services.runtime.store import Store

REVISIONS = ("r0001_runtime", "r0006_records")
"""Only those of the runtime and of this service: its tests stand on no other service's tables."""


def open_store(url: str) -> Store:
    """Open a store and run our revisions on it."""
    store = Store(url)
    with (
        store.begin() as connection,
        Operations.context(MigrationContext.configure(connection)),
    ):
        for name in REVISIONS:
            import_module(f"services.runtime.migrations.versions.{name}").upgrade()
    return store
