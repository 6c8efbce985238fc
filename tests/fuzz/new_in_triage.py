"""What has come into triage since it was looked at last; each entry must say what was wrong."""

from __future__ import annotations

from sqlalchemy import select

from services.runtime.store import Store
from services.runtime.tables import TRIAGE
from tests.fuzz.target import Broken


class NewInTriage:
    """Remembers how far it has looked."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._seen_id = 0

    def look(self) -> int:
        """Count the new entries; Broken where one lacks field, value or expectation."""
        columns = (TRIAGE.c.id, TRIAGE.c.field, TRIAGE.c.value, TRIAGE.c.expected)
        query = select(*columns).where(TRIAGE.c.id > self._seen_id).order_by(TRIAGE.c.id)
        with self._store.read() as connection:
            rows = connection.execute(query).all()
        for row in rows:
            self._seen_id = row.id
            if not (row.field and row.expected and row.value is not None):
                raise Broken(f"a triage entry lacks what was wrong: {tuple(row)}")
        return len(rows)
