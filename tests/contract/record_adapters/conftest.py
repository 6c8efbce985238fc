"""A store of the records service, where the kind of database makes no difference."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from services.runtime.store import Store
from tests.contract.record_store import open_store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = open_store(f"sqlite:///{tmp_path}/store.sqlite")
    yield made
    made.close()
