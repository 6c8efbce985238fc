"""The stand-in MLLP record, and the adapter to it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from services.records.adapters.hl7 import Hl7Adapter
from tests.record_stand_ins.mllp_server import MllpServer


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MllpServer]:
    with MllpServer(tmp_path_factory.mktemp("mllp-record")).running() as made:
        yield made


@pytest.fixture
def mllp(server: MllpServer, tmp_path: Path) -> MllpServer:
    """The server, empty and well behaved again."""
    server.control(reset=True, wants_commit=False)
    server.folder = tmp_path
    return server


@pytest.fixture
def adapter(mllp: MllpServer) -> Iterator[Hl7Adapter]:
    made = mllp.adapter()
    yield made
    made.close()
