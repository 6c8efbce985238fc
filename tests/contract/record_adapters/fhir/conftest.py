"""The stand-in FHIR record, and the adapter to it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from services.records.adapters.fhir import FhirAdapter
from tests.record_stand_ins.fhir_server import FhirServer


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FhirServer]:
    with FhirServer(tmp_path_factory.mktemp("fhir-record")).running() as made:
        yield made


@pytest.fixture
def fhir(server: FhirServer) -> FhirServer:
    """The server, empty and well behaved again."""
    server.control(reset=True)
    return server


@pytest.fixture
def adapter(fhir: FhirServer) -> Iterator[FhirAdapter]:
    made = fhir.adapter()
    yield made
    made.close()
