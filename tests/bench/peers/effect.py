"""The effect that a peer keeps: a row for each message, in a transaction of its own."""

from __future__ import annotations

import psycopg

INSERT = "INSERT INTO effect VALUES (%s, %s) ON CONFLICT DO NOTHING"
_CREATE = "CREATE TABLE IF NOT EXISTS effect (message_id VARCHAR(36) PRIMARY KEY, body BYTEA)"


class Effects:
    """Keeps rows on one connection; each is durable on return."""

    def __init__(self, url: str) -> None:
        self.database = psycopg.connect(url)
        self.database.execute(_CREATE)
        self.database.commit()

    def keep(self, message_id: str | None, body: bytes) -> None:
        self.database.execute(INSERT, (message_id, body))
        self.database.commit()
