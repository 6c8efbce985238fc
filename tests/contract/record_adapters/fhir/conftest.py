"""The adapter to the stand-in FHIR record."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from services.records.adapters.fhir import FhirAdapter
from tests.record_stand_ins.fhir_server import FhirServer


@pytest.fixture
def adapter(fhir: FhirServer) -> Iterator[FhirAdapter]:
    made = fhir.adapter()
    yield made
    made.close()
