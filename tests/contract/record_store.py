"""A store with the tables that the records service needs."""

from __future__ import annotations

from services.runtime.migrate import migrate
from services.runtime.store import Store


def open_store(url: str) -> Store:
    """Open a store and bring it to the newest schema."""
    store = Store(url)
    migrate(store)
    return store
