"""What the suite is given: a way to open the record and, where it can be done, its misbehaviour."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest

from services.records.port import (
    Accepted,
    ChargePosting,
    NotePosting,
    PatientRecord,
)

Open = Callable[[], PatientRecord]
Refuse = Callable[[ChargePosting | NotePosting, str], None]
Away = Callable[[], AbstractContextManager[object]]


def accepted(answer: object) -> str:
    """Give the reference under which the record took a posting; fail where it did not."""
    assert isinstance(answer, Accepted), answer
    assert answer.reference
    return answer.reference


class Given:
    """The fixtures that the cases ask for. ``open_record`` is needed; the others can be left out.

    What is left out is skipped, with the name of the fixture that would show it. A fixture that
    cannot be had should say so itself, by ``pytest.skip`` and the reason.
    """

    @pytest.fixture
    def open_record(self) -> Open:
        """Give what opens an adapter to this test's own record, which is empty at first.

        It may be called several times in one test: each time a new adapter, to the same record.
        The suite closes what it opened.
        """
        raise NotImplementedError(
            f"{type(self).__name__}: expected the fixture open_record, which gives a function "
            "that opens an adapter to an empty record of this test's own"
        )

    @pytest.fixture
    def record(self, open_record: Open) -> Iterator[PatientRecord]:
        """Give the adapter that most cases use."""
        made = open_record()
        yield made
        made.close()

    @pytest.fixture
    def refuse(self) -> Refuse:
        """Give what makes the record refuse a posting when it comes, with these words."""
        pytest.skip("not shown: give the fixture refuse, which makes the record refuse a posting")

    @pytest.fixture
    def away(self) -> Away:
        """Give what makes the record one that cannot be reached, inside a ``with``."""
        pytest.skip("not shown: give the fixture away, inside which the record is not reached")

    @pytest.fixture
    def lose_next_answer(self) -> Callable[[], None]:
        """Give what makes the record take the next posting, with its answer lost on the way."""
        pytest.skip("not shown: give lose_next_answer, after which one answer does not arrive")
