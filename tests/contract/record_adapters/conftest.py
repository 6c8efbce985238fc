"""A store of the records service, and the stand-in records, each one process for all suites.

The kind of database makes no difference to such a store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from services.runtime.store import Store
from tests.contract.record_store import open_store
from tests.record_stand_ins.fhir_server import FhirServer
from tests.record_stand_ins.mllp_server import MllpServer


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = open_store(f"sqlite:///{tmp_path}/store.sqlite")
    yield made
    made.close()


@pytest.fixture(scope="session")
def fhir_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FhirServer]:
    with FhirServer(tmp_path_factory.mktemp("fhir-record")).running() as made:
        yield made


@pytest.fixture
def fhir(fhir_server: FhirServer) -> FhirServer:
    """The FHIR server, empty and well behaved again."""
    fhir_server.control(reset=True)
    return fhir_server


@pytest.fixture(scope="session")
def mllp_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MllpServer]:
    with MllpServer(tmp_path_factory.mktemp("mllp-record")).running() as made:
        yield made


@pytest.fixture
def mllp(mllp_server: MllpServer, tmp_path: Path) -> MllpServer:
    """The MLLP server, empty and well behaved again."""
    mllp_server.control(reset=True, wants_commit=False)
    mllp_server.folder = tmp_path
    return mllp_server
