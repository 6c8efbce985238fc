"""What a mutation run wants of pytest: few examples by a fixed seed, and which test failed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import Phase, settings

SERVERLESS = "not broker and not database and not dcmtk and not browser and not drill"
EXAMPLES = 25
"""At most so many of each property test: a fault that wants more is one for a unit test."""


class Watch:
    """Remembers which tests failed."""

    def __init__(self) -> None:
        self.failed: list[str] = []

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Bound each property test, and have it try the same examples in each trial."""
        for item in items:
            _few_examples(item)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """A module that cannot be imported fails all of its tests."""
        if report.failed:
            self.failed.append(report.nodeid)


def _few_examples(item: pytest.Item) -> None:
    test: Any = getattr(item, "obj", None)
    test = getattr(test, "__func__", test)
    if not getattr(test, "is_hypothesis_test", False):
        return
    told = getattr(test, "_hypothesis_internal_use_settings", None) or settings()
    test._hypothesis_internal_use_settings = settings(
        told,
        max_examples=min(EXAMPLES, told.max_examples),
        derandomize=True,
        database=None,
        deadline=None,
        phases=(Phase.explicit, Phase.generate),
    )
