"""The lock files pin every package by hash, agree, and name no place to fetch from."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

REQUIREMENTS = Path(__file__).parents[2] / "requirements"
LOCKS = ("run.lock", "dev.lock", "bench.lock", "mutation.lock", "supply.lock")
PIN = re.compile(r"^(?P<package>[a-z0-9.-]+)(?:\[[a-z,]+\])?==(?P<version>\S+)", re.MULTILINE)
HASH = re.compile(r"--hash=sha256:[0-9a-f]{64}\b")


def pins(lock: str) -> dict[str, str]:
    """Return the version of each package that a lock file pins."""
    return {m["package"]: m["version"] for m in PIN.finditer((REQUIREMENTS / lock).read_text())}


@pytest.mark.parametrize("lock", LOCKS)
def test_every_package_of_a_lock_is_pinned_by_hash(lock: str) -> None:
    # given
    text = (REQUIREMENTS / lock).read_text()
    starts = [m.start() for m in re.finditer(r"^[^\s#]", text, re.MULTILINE)]

    # when
    blocks = [text[a:b] for a, b in zip(starts, [*starts[1:], len(text)], strict=True)]

    # then
    assert blocks
    for block in blocks:
        assert PIN.match(block), block
        assert HASH.search(block), block


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_names_no_address_to_fetch_from(lock: str) -> None:
    text = (REQUIREMENTS / lock).read_text()

    assert "://" not in text
    assert not re.search(r"^\s*(-i|-f|--\S*(index|find-links)\S*)\s", text, re.MULTILINE)


def test_the_developers_lock_holds_every_pin_of_the_one_that_is_run() -> None:
    assert pins("run.lock").items() <= pins("dev.lock").items()
