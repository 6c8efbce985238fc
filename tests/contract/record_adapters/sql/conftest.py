"""The stand-in record behind staging tables on each database, and the adapter to it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from services.records.adapters.sql import SqlAdapter
from tests.record_stand_ins.sql_server import SqlServer
from tests.servers.postgresql import Database


@pytest.fixture(scope="session")
def sqlite_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SqlServer]:
    folder = tmp_path_factory.mktemp("sql-record")
    with SqlServer(f"sqlite:///{folder}/record.sqlite", folder).running() as made:
        yield made


@pytest.fixture(scope="session")
def postgresql_server(
    postgresql: Database, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[SqlServer]:
    url = postgresql.create_database()
    with SqlServer(url, tmp_path_factory.mktemp("sql-record")).running() as made:
        yield made
    postgresql.drop_database(url)


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.database)])
def record_side(request: pytest.FixtureRequest) -> SqlServer:
    """Each in turn, empty and well behaved again."""
    server: SqlServer = request.getfixturevalue(f"{request.param}_server")
    server.control(reset=True, reachable=True)
    return server


@pytest.fixture
def behind_proxy(postgresql_server: SqlServer) -> SqlServer:
    """PostgreSQL alone, whose connections can be cut."""
    postgresql_server.control(reset=True, reachable=True)
    return postgresql_server


@pytest.fixture
def adapter(record_side: SqlServer) -> Iterator[SqlAdapter]:
    made = record_side.adapter()
    yield made
    made.close()
