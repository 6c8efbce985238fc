"""One notes desk for all suites of this folder, and a study of each test's own."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256

import pytest

from tests.notes_desk import NotesDesk, running_desk


@pytest.fixture(scope="package")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[NotesDesk]:
    with running_desk(tmp_path_factory.mktemp("desk")) as one:
        yield one


@pytest.fixture
def uid(request: pytest.FixtureRequest) -> str:
    """A study of the test's own."""
    return f"2.25.{int(sha256(request.node.name.encode()).hexdigest()[:24], 16)}"
