"""What to do when a server that a test needs is not installed."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def missing(what: str, remedy: str) -> NoReturn:
    """Skip the test on a laptop; fail it where ``CI=true``, since there nothing may be left out."""
    sentence = f"{what} is missing: {remedy}"
    if in_ci():
        pytest.fail(f"{sentence} (CI=true: a missing server is a failure)", pytrace=False)
    pytest.skip(sentence)


def in_ci() -> bool:
    """Say whether this run is a gate, by the variable ``CI`` that such places commonly set."""
    return os.environ.get("CI", "").lower() in {"true", "1"}
