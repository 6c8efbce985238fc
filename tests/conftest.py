"""Fixtures for all tests: private servers, free ports, a clean environment.

Servers start when the first test asks for one, once per run, and are stopped at its end.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

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

__all__ = ["wait_until"]

# How long an example takes says how busy the machine is, not whether the code is right.
settings.register_profile("untimed", parent=settings(), deadline=None)
settings.load_profile("untimed")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark each test by the servers it needs."""
    for item in items:
        for fixture in getattr(item, "fixturenames", ()):
            if fixture in MARKER_BY_FIXTURE:
                item.add_marker(MARKER_BY_FIXTURE[fixture])
        callspec = getattr(item, "callspec", None)
        if callspec is not None and callspec.params.get("database_url") == "postgresql":
            item.add_marker("database")


@pytest.fixture(scope="session", autouse=True)
def _clean_environment() -> Iterator[None]:
    """Remove the developer's own settings: no test may depend on them."""
    with pytest.MonkeyPatch.context() as patch:
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
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """SQLAlchemy address of an empty database; the test runs once on each kind.

    For one kind only: ``@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)``.
    """
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'store.sqlite3'}"
    elif request.param == "postgresql":
        server: postgresql_server.Database = request.getfixturevalue("postgresql")
        url = server.create_database()
        yield url
        server.drop_database(url)
    else:
        raise ValueError(f"database_url: expected 'sqlite' or 'postgresql', not {request.param!r}")


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
