"""The adapter to the stand-in MLLP record."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from services.records.adapters.hl7 import Hl7Adapter
from tests.record_stand_ins.mllp_server import MllpServer


@pytest.fixture
def adapter(mllp: MllpServer) -> Iterator[Hl7Adapter]:
    made = mllp.adapter()
    yield made
    made.close()
