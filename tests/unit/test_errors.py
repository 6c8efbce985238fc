"""A refusal can be shown and kept, whatever it is that was refused."""

from __future__ import annotations

import pytest

from schemas.errors import InvalidInput


@pytest.mark.parametrize("hostile", ["column \x00", "payload.\ud800"])
def test_a_refusal_can_be_kept_whatever_its_sender_called_the_field(hostile: str) -> None:
    error = InvalidInput(hostile, hostile, f"not {hostile}")

    for told in (error.field, error.value, error.expected, str(error)):
        assert "\x00" not in told  # PostgreSQL keeps no NUL
        assert told.encode()
