"""A store with the tables that the records service needs."""

from __future__ import annotations

from services.runtime.store import Store
from tests.newest_schema import bring_to_newest


def open_store(url: str) -> Store:
    """Open a store and bring it to the newest schema."""
    store = Store(url)
    bring_to_newest(store)
    return store
