"""The buses and stores that the contract is held against."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.contract.bus_cases import WORK, Backend


@pytest.fixture(params=["embedded", pytest.param("amqp", marks=pytest.mark.broker)])
def any_bus(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Backend]:
    """Each backend in turn, with WORK declared."""
    if request.param == "amqp":
        made = Backend(request.getfixturevalue("amqp_url"))
    else:
        made = Backend(f"embedded:{tmp_path / 'bus.sqlite3'}")
    made.open().declare([WORK])
    yield made
    made.close()


@pytest.fixture
def amqp_bus(amqp_url: str) -> Iterator[Backend]:
    """RabbitMQ, in a fresh vhost with WORK declared."""
    made = Backend(amqp_url)
    made.open().declare([WORK])
    yield made
    made.close()


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """Each database in turn, with the schema of today."""
    opened = Store(database_url)
    migrate(opened)
    yield opened
    opened.close()
