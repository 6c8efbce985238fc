"""What several of the unit suites start from."""

from typing import Any

import pytest

from tests.packaged_plans import PLANS, as_data


@pytest.fixture
def cat() -> dict[str, Any]:
    """The packaged cat plan as plain data, free to be spoiled."""
    return as_data(PLANS["cat-full-mouth"])
