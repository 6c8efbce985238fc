"""The stand-in record behind staging tables, started, told and killed by a test."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import create_engine, make_url, text
from sqlalchemy.pool import NullPool

from services.records.adapters.sql import SqlAdapter
from services.records.record_tables_command import Database, record_tables
from tests.servers.ports import LOOPBACK, free_port
from tests.servers.stand_in import StandIn

USER = "gomphosis_poster"
PASSWORD = "invented-for-this-run"


class SqlServer(StandIn):
    """One process of ``tests.record_stand_ins.sql_record_process`` over a database of its own.

    We come by way of its proxy, as a user with the printed grants and no more.
    """

    def __init__(self, database_url: str, folder: Path, schema: str = "") -> None:
        self.url = make_url(database_url)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        self.folder = folder
        self._port, self._proxy_port = free_port(), free_port()
        ports = [self._port] if self.is_sqlite else [self._port, self._proxy_port]
        self._make_tables(database_url, schema)
        super().__init__(
            "tests.record_stand_ins.sql_record_process",
            [str(self._port), str(self._proxy_port), database_url],
            ports,
        )

    def _make_tables(self, database_url: str, schema: str) -> None:
        database = Database.SQLITE if self.is_sqlite else Database.POSTGRESQL
        printed = record_tables(database, "" if self.is_sqlite else USER)
        engine = create_engine(database_url, poolclass=NullPool)
        with engine.begin() as connection:
            if not self.is_sqlite:
                known = text("SELECT 1 FROM pg_roles WHERE rolname = :name")
                if connection.scalar(known, {"name": USER}) is None:
                    connection.execute(text(f"CREATE ROLE {USER} LOGIN PASSWORD '{PASSWORD}'"))
            if schema:
                connection.exec_driver_sql(f"CREATE SCHEMA {schema}")
                connection.exec_driver_sql(f"GRANT USAGE ON SCHEMA {schema} TO {USER}")
                connection.exec_driver_sql(f"SET LOCAL search_path = {schema}")
            for statement in printed.split(";\n"):
                if statement.strip():
                    connection.exec_driver_sql(statement)

    def control(self, **told: Any) -> dict[str, Any]:
        answer = httpx.post(f"http://{LOOPBACK}:{self._port}/_control", json=told, timeout=30)
        told_back: dict[str, Any] = answer.raise_for_status().json()
        return told_back

    def sql(self, statement: str, **values: Any) -> list[dict[str, Any]]:
        """Do something by hand at the record; give the rows, each value as text."""
        rows: list[dict[str, Any]] = self.control(sql=[[statement, values]])["rows"]
        return rows

    def work(self) -> None:
        """Let the record's job take up what waits."""
        self.control(work=True)

    @contextmanager
    def away(self) -> Iterator[None]:
        """Let it not be reached: its file is elsewhere, or the network is cut."""
        if self.is_sqlite:
            file = Path(str(self.url.database))
            elsewhere = file.rename(file.with_suffix(".away"))
            yield
            elsewhere.rename(file)
        else:
            self.control(reachable=False)
            yield
            self.control(reachable=True)

    def our_url(self, *, direct: bool = False) -> str:
        if self.is_sqlite:
            return self.url.render_as_string()
        port = self.url.port if direct else self._proxy_port
        ours = self.url.set(drivername="postgresql", username=USER, password=PASSWORD, port=port)
        return ours.update_query_dict({"sslmode": "disable"}).render_as_string(hide_password=False)

    def adapter(
        self, kind: type[SqlAdapter] = SqlAdapter, *, direct: bool = False, **options: str
    ) -> SqlAdapter:
        """Open the adapter; ``direct``: past the proxy, where the process need not run."""
        file = self.folder / "record-url"
        file.write_text(f"{self.our_url(direct=direct)}\n")
        return kind({"url_file": str(file), "timeout_s": "10", **options})
