"""Fixtures for all tests: private servers, free ports, a clean environment.

Servers start when the first test asks for one, once per run, and are stopped at its end.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import settings

from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.newest_schema import migrated
from tests.servers import dcmtk as dcmtk_tools
from tests.servers import postgresql as postgresql_server
from tests.servers import rabbitmq as rabbitmq_server
from tests.servers.polling import wait_until
from tests.servers.ports import free_port as choose_free_port

KEPT_VARIABLES = {rabbitmq_server.URL_VARIABLE, postgresql_server.URL_VARIABLE}

# A test that asks for one of these gets the marker, so `-m "not broker"` leaves it out.
MARKER_BY_FIXTURE = {
    "rabbitmq": "broker",
    "amqp_url": "broker",
    "postgresql": "database",
    "dcmtk": "dcmtk",
}

BEGUN_FIRST = "test_invented_day.py"
"""Its day is one fixture for many tests: at the end, each idle worker would run its own."""

__all__ = ["wait_until"]

# How long an example takes says how busy the machine is, not whether the code is right.
settings.register_profile("untimed", parent=settings(), deadline=None)
settings.load_profile("untimed")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark each test by the servers it needs; put first what nobody should begin at the end."""
    items.sort(key=lambda item: item.path.name != BEGUN_FIRST)
    for item in items:
        for fixture in getattr(item, "fixturenames", ()):
            if fixture in MARKER_BY_FIXTURE:
                item.add_marker(MARKER_BY_FIXTURE[fixture])
        callspec = getattr(item, "callspec", None)
        if callspec is not None and "postgresql" in (
            callspec.params.get("database_url"),
            callspec.params.get("empty_database_url"),
        ):
            item.add_marker("database")


@pytest.fixture(scope="session", autouse=True)
def _clean_environment(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Remove the developer's own settings: no test may depend on them.

    Nor on a public authority: none is trusted, and each HTTP client saves 26 ms of reading them.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("SSL_CERT_FILE", raising=False)
        patch.setenv("SSL_CERT_DIR", str(tmp_path_factory.mktemp("no-authorities")))
        for variable in list(os.environ):
            if variable.startswith("GOMPHOSIS_") and variable not in KEPT_VARIABLES:
                patch.delenv(variable)
        yield


@pytest.fixture(scope="session")
def rabbitmq() -> Iterator[rabbitmq_server.Broker]:
    """The RabbitMQ of this run. A test that stops it starts it again."""
    broker = rabbitmq_server.open_broker()
    yield broker
    broker.close()


@pytest.fixture
def amqp_url(rabbitmq: rabbitmq_server.Broker) -> str:
    """AMQP address of a fresh vhost."""
    return rabbitmq.create_vhost()


@pytest.fixture(scope="session")
def postgresql() -> Iterator[postgresql_server.Database]:
    """The PostgreSQL of this run. A test that stops it starts it again."""
    server = postgresql_server.open_database_server()
    yield server
    server.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """SQLAlchemy address of an empty database; the test runs once on each kind."""
    with _database(request, tmp_path, None) as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """SQLAlchemy address of a database at the newest schema; the test runs once on each kind.

    For one kind only: ``@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)``.
    """
    made = request.getfixturevalue("newest_schema")
    if request.param not in made:
        made[request.param] = _bring_to_newest(request)
    with _database(request, tmp_path, made[request.param]) as url:
        yield url


@pytest.fixture(scope="session")
def newest_schema() -> dict[str, str]:
    """A database of each kind that is at the newest schema: what is copied for each test."""
    return {}


def _bring_to_newest(request: pytest.FixtureRequest) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{migrated()}"
    server: postgresql_server.Database = request.getfixturevalue("postgresql")
    url = server.create_database()
    store = Store(url)
    migrate(store)
    store.close()
    return url


@contextmanager
def _database(request: pytest.FixtureRequest, folder: Path, like: str | None) -> Iterator[str]:
    url = _new_database(request, folder, like)
    yield url
    if request.param == "postgresql":
        request.getfixturevalue("postgresql").drop_database(url)


def _new_database(request: pytest.FixtureRequest, folder: Path, like: str | None) -> str:
    if request.param == "postgresql":
        server: postgresql_server.Database = request.getfixturevalue("postgresql")
        return server.create_database(like)
    if request.param != "sqlite":
        raise ValueError(f"database_url: expected 'sqlite' or 'postgresql', not {request.param!r}")
    path = folder / "store.sqlite3"
    if like is not None:
        shutil.copyfile(like.removeprefix("sqlite:///"), path)
    return f"sqlite:///{path}"


@pytest.fixture(scope="session")
def dcmtk() -> dcmtk_tools.Dcmtk:
    """DCMTK's programs."""
    return dcmtk_tools.find_dcmtk()


@pytest.fixture
def free_port() -> int:
    """One free loopback port; for more, call `tests.servers.ports.free_port`."""
    return choose_free_port()


@pytest.fixture(name="wait_until", scope="session")
def wait_until_fixture() -> Callable[..., object]:
    """``wait_until(predicate, timeout_s, what)``, also importable from `tests.servers.polling`."""
    return wait_until
