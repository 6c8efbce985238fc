"""Intake as most tests of a whole process need it; a file that needs another has its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.intake_support import Intake, running_intake
from tests.record_inputs.mllp_listening import listening


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


@pytest.fixture
def mllp(tmp_path: Path) -> Iterator[tuple[Intake, int]]:
    """With the port at which it hears HL7 v2."""
    with listening(tmp_path) as opened:
        yield opened
