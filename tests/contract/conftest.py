"""The buses that the contract is held against, and what several of its suites start from."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from services.runtime.store import Store
from tests.contract.bus_cases import WORK, Backend
from tests.contract.record_store import open_store
from tests.contract.records_line import Line


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
    """Each database in turn, at the newest schema."""
    opened = open_store(database_url)
    yield opened
    opened.close()


@pytest.fixture
def line(store: Store, tmp_path: Path) -> Line:
    """The records service on each database in turn."""
    return Line(store, tmp_path / "record")
