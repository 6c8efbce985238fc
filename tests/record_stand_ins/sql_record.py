"""An invented record behind staging tables: its job takes rows up, books them and answers.

It knows the tables by their printed SQL alone, and writes SQL of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from threading import Lock
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, text
from sqlalchemy.pool import NullPool

TABLES = ("answer", "charge", "closed_period", "line", "note", "order", "patient")

# The next rows without an answer to their turn; a patient's in order, and none before its first.
WAITING = """
SELECT c.* FROM gomphosis_{table} c
WHERE NOT EXISTS (SELECT 1 FROM gomphosis_answer a WHERE a.posting_key = c.posting_key
                  AND a.turn = c.turn)
ORDER BY c.sequence
"""


class Record:
    """Its books, and how its job is to behave."""

    def __init__(self, url: str) -> None:
        self.engine: Engine = create_engine(url, poolclass=NullPool)
        self.is_sqlite = url.startswith("sqlite")
        self.guarded: set[str] = set()
        self.lock = Lock()
        self.faults: dict[str, list[str]] = {}
        self.refusals: dict[str, str] = {}
        self.booked: list[str] = []

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        with self.lock, self.engine.begin() as connection:
            yield connection

    def reset(self) -> None:
        self.faults, self.refusals, self.booked = {}, {}, []
        with self.transaction() as connection:
            for name in TABLES:
                connection.execute(text(f"DELETE FROM gomphosis_{name}"))
        for table in list(self.guarded):
            self.unguard(table)

    def guard(self, table: str, key: str, words: str) -> None:
        """Make the database itself refuse a row, by a trigger of the record's."""
        self.unguard(table)
        self.guarded.add(table)
        if self.is_sqlite:
            verb = "UPDATE" if table == "answer" else "INSERT"
            body = f"SELECT RAISE(ABORT, '{words}');"
            statements = [
                f"CREATE TRIGGER guard_{table} BEFORE {verb} ON gomphosis_{table} "
                f"WHEN NEW.posting_key = '{key}' BEGIN {body} END"
            ]
        else:
            refusal = f"IF NEW.posting_key = '{key}' THEN RAISE EXCEPTION '{words}'; END IF;"
            statements = self.trigger(table, refusal)
        with self.transaction() as connection:
            for statement in statements:
                connection.exec_driver_sql(statement)

    def trigger(self, table: str, body: str) -> list[str]:
        return [
            f"CREATE FUNCTION guard_{table}() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN {body} RETURN NEW; END $$",
            f"CREATE TRIGGER guard_{table} BEFORE INSERT OR UPDATE ON gomphosis_{table} "
            f"FOR EACH ROW EXECUTE FUNCTION guard_{table}()",
        ]

    def slow(self, seconds: float) -> None:
        """Let each new charge take long; 0: no more."""
        self.unguard("charge")
        if seconds:
            self.guarded.add("charge")
            with self.transaction() as connection:
                for statement in self.trigger("charge", f"PERFORM pg_sleep({seconds});"):
                    connection.exec_driver_sql(statement)

    def unguard(self, table: str) -> None:
        self.guarded.discard(table)
        ours = "" if self.is_sqlite else f" ON gomphosis_{table}"
        with self.transaction() as connection:
            connection.exec_driver_sql(f"DROP TRIGGER IF EXISTS guard_{table}{ours}")
            if not self.is_sqlite:
                connection.exec_driver_sql(f"DROP FUNCTION IF EXISTS guard_{table}()")

    def run_sql(self, statement: str, values: dict[str, Any]) -> list[dict[str, Any]]:
        """Do by hand what a person at the record would; tell what it gives."""
        with self.transaction() as connection:
            done = connection.execute(text(statement), values)
            rows = done.mappings().all() if done.returns_rows else []
            return [{k: None if v is None else str(v) for k, v in row.items()} for row in rows]

    def work(self) -> int:
        """Take up what waits, each row in a transaction of its own; give how many."""
        done = 0
        for table in ("charge", "note"):
            with self.transaction() as connection:
                waiting = connection.execute(text(WAITING.format(table=table))).mappings().all()
            for row in waiting:
                with self.transaction() as connection:
                    self.take(connection, table, dict(row))
                done += 1
        return done

    def take(self, connection: Connection, table: str, row: dict[str, Any]) -> None:
        """Book a row and answer it, or misbehave as told for its key."""
        key, turn = row["posting_key"], row["turn"]
        faults = self.faults.pop(key, [])
        words = self.refusals.get(key)
        reference = f"INV-{table}-{row['sequence']}"
        if words is None and table == "charge":
            self.book(connection, row, reference)
        told = {"posting_key": key, "turn": turn, "outcome": "accepted", "reference": reference}
        if words is not None:
            told = {"posting_key": key, "turn": turn, "outcome": "rejected", "words": words}
        if "half" in faults:
            told.pop("reference", None)
            told.pop("words", None)
        if "no_outcome" in faults:
            told = {"posting_key": key, "turn": turn}
        if "old" in faults:
            told["answered_at"] = "2026-03-02T08:00:00+00:00"
        self.answer(connection, told)
        if "twice" in faults:
            self.answer(connection, told)
        if "unknown" in faults:
            self.answer(connection, {**told, "posting_key": f"{key}:nobody's"})

    def book(self, connection: Connection, row: dict[str, Any], reference: str) -> None:
        held = text("SELECT count(*) FROM gomphosis_line WHERE posting_key = :key")
        if connection.scalar(held, {"key": row["posting_key"]}):
            return  # it knows the key again
        amount = Decimal(str(row["amount"]))
        self.insert(
            connection,
            "line",
            {
                "line_id": reference,
                "posting_key": row["posting_key"],
                "site": row["record_site"] or row["site"],
                "patient_id": row["patient_id"],
                "service_day": row["service_day"],
                "code": row["record_code"],
                "quantity": row["quantity"],
                "amount": str(amount if row["type"] == "charge" else -amount),
                "currency": row["currency"],
            },
        )
        self.booked.append(row["posting_key"])

    def answer(self, connection: Connection, told: dict[str, Any]) -> None:
        self.insert(connection, "answer", told)

    def insert(self, connection: Connection, table: str, values: dict[str, Any]) -> None:
        names = ", ".join(values)
        typed = ", ".join(self.place(name) for name in values)
        statement = f"INSERT INTO gomphosis_{table} ({names}) VALUES ({typed})"
        connection.execute(text(statement), values)

    def place(self, name: str) -> str:
        kinds = {"amount": "numeric", "service_day": "date", "answered_at": "timestamptz"}
        if self.is_sqlite or name not in kinds:
            return f":{name}"
        return f"CAST(:{name} AS {kinds[name]})"
