"""One console for all suites of this folder."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.console_support import RunningConsole, running_console


@pytest.fixture(scope="package")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningConsole]:
    with running_console(tmp_path_factory.mktemp("console"), taps_per_minute=10_000) as one:
        yield one
