"""Refusals counted together: the first is told at once, and no caller fills the audit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from services.runtime.audit import Refusal
from services.runtime.refusal_counts import MOST, MOST_OF_ADDRESS, WINDOW, RefusalCounts

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def by(address: str, calling: str = "STRANGER") -> Refusal:
    return Refusal("dicom", "association", "calling AE title", address, calling=calling)


def write(counts: RefusalCounts, now: datetime) -> list[tuple[Refusal, int]]:
    due = counts.due(now)
    counts.written(due, now)
    return [(one.refusal, one.count) for one in due]


def test_the_first_is_due_at_once_and_its_repeats_when_the_minute_is_over() -> None:
    counts = RefusalCounts()
    counts.note(by("192.0.2.1"), AT)
    assert write(counts, AT) == [(by("192.0.2.1"), 1)]

    for second in range(1, 11):
        counts.note(by("192.0.2.1"), AT + second * SECOND)
    assert write(counts, AT + 11 * SECOND) == []

    (told,) = counts.due(AT + WINDOW)
    assert (told.count, told.first_at, told.last_at) == (10, AT + SECOND, AT + 10 * SECOND)


def test_whoever_comes_again_after_a_quiet_minute_is_told_at_once() -> None:
    counts = RefusalCounts()
    for now in (AT, AT + 3 * WINDOW):
        counts.note(by("192.0.2.1"), now)
        assert write(counts, now) == [(by("192.0.2.1"), 1)]
        assert write(counts, now + WINDOW) == []


def test_whoever_never_stops_makes_one_row_a_minute() -> None:
    counts = RefusalCounts()
    rows = []
    for second in range(600):
        now = AT + second * SECOND
        counts.note(by("192.0.2.1"), now)
        rows += write(counts, now)

    assert len(rows) == 1 + 9
    left = counts.due(AT + 600 * SECOND, everything=True)
    assert sum(count for _, count in rows) + sum(one.count for one in left) == 600


def test_what_comes_while_rows_are_written_is_not_lost() -> None:
    counts = RefusalCounts()
    counts.note(by("192.0.2.1"), AT)
    due = counts.due(AT)
    counts.note(by("192.0.2.1"), AT + SECOND)

    counts.written(due, AT + 2 * SECOND)

    (told,) = counts.due(AT + WINDOW)
    assert (told.count, told.last_at) == (1, AT + SECOND)


def test_what_could_not_be_written_is_still_due() -> None:
    counts = RefusalCounts()
    counts.note(by("192.0.2.1"), AT)

    assert counts.due(AT) == counts.due(AT + SECOND) != []


def test_one_address_under_ever_new_titles_is_told_together_by_its_address() -> None:
    counts = RefusalCounts()
    for number in range(1_000):
        counts.note(by("192.0.2.1", f"TITLE{number}"), AT)

    told = counts.due(AT)

    assert len(told) == MOST_OF_ADDRESS + 1
    assert told[-1].refusal.address == "192.0.2.1"
    assert told[-1].refusal.calling is None
    assert sum(one.count for one in told) == 1_000


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 60), st.integers(0, 20)),
        min_size=1,
        max_size=300,
    )
)
def test_no_refusal_is_lost_and_no_minute_has_more_rows_than_told(
    attempts: list[tuple[int, int, int]],
) -> None:
    counts = RefusalCounts()
    now, rows = AT, []
    for address, title, seconds in attempts:
        now += seconds * SECOND
        counts.note(by(f"192.0.2.{address}", f"TITLE{title}"), now)
        rows += [(now, count) for _, count in write(counts, now)]

    left = counts.due(now, everything=True)
    assert sum(count for _, count in rows) + sum(one.count for one in left) == len(attempts)
    for begin, _ in rows:
        assert sum(1 for at, _ in rows if begin <= at < begin + WINDOW) <= 2 * (MOST + 1)


def test_what_a_stranger_claims_is_bounded_and_printable() -> None:
    claimed = Refusal("dicom", "association", "x" * 900, "192.0.2.1", calling="\x00\x1b[31mA" * 40)

    fit = claimed.bounded()

    assert len(fit.reason) == 400
    assert fit.calling is not None
    assert fit.calling.startswith("??[31mA")
    assert len(fit.calling) == 64
    assert fit.calling.isprintable()
