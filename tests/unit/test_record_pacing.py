"""When the record may be asked: the breaker, the waits and the rate, without a clock."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.envelope import new_id
from services.records.pacing import (
    LONGEST_OPEN_S,
    LONGEST_RETRY_AFTER_S,
    Breaker,
    Gate,
    SiteRate,
    wait_s,
)
from services.records.waiting import told_at

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def after(seconds: float) -> datetime:
    return NOW + timedelta(seconds=seconds)


def broken(failures: int) -> Breaker:
    breaker = Breaker(random.Random(1))
    for _ in range(failures):
        breaker.failed(NOW)
    return breaker


def test_the_breaker_opens_after_three_failures_in_a_row_and_then_lets_one_probe_through() -> None:
    assert broken(2).gate(NOW) is Gate.CLOSED

    breaker = broken(3)

    assert breaker.gate(NOW) is Gate.OPEN
    assert breaker.gate(after(1.0)) is Gate.PROBE


def test_an_answer_closes_it_and_the_failures_before_it_no_longer_count() -> None:
    breaker = broken(3)

    breaker.answered()
    breaker.failed(NOW)
    breaker.failed(NOW)

    assert breaker.gate(NOW) is Gate.CLOSED


def test_each_failed_probe_opens_it_for_longer_up_to_a_minute() -> None:
    breaker, now, lengths = broken(2), NOW, []
    for _ in range(12):
        breaker.failed(now)
        assert breaker.until is not None
        lengths.append((breaker.until - now).total_seconds())
        now = breaker.until

    assert lengths[0] <= 1.0
    assert max(lengths) <= LONGEST_OPEN_S
    assert min(lengths[-3:]) >= LONGEST_OPEN_S / 2


def test_a_record_that_says_how_long_to_wait_is_left_alone_for_so_long_at_once() -> None:
    breaker = Breaker(random.Random(1))

    breaker.failed(NOW, retry_after_s=120.0)
    breaker.failed(after(1.0))

    assert breaker.gate(after(119.0)) is Gate.OPEN
    assert breaker.gate(after(120.0)) is Gate.PROBE


def test_a_clock_that_is_put_back_leaves_the_breaker_open_no_longer() -> None:
    breaker = Breaker(random.Random(1))
    for _ in range(3):
        breaker.failed(after(172_800.0))

    assert breaker.gate(NOW) is Gate.PROBE

    breaker.failed(NOW)

    assert breaker.gate(NOW) is Gate.OPEN
    assert breaker.gate(after(LONGEST_OPEN_S)) is Gate.PROBE


@given(
    st.integers(1, 10_000),
    st.one_of(st.none(), st.floats(-1e9, 1e12)),
    st.integers(0, 1000),
)
def test_a_posting_waits_at_least_what_was_asked_and_never_more_than_an_hour(
    attempts: int, told_s: float | None, seed: int
) -> None:
    waits_s = wait_s(attempts, told_s, random.Random(seed))

    assert 0.5 <= waits_s <= LONGEST_RETRY_AFTER_S
    assert told_s is None or waits_s >= min(told_s, LONGEST_RETRY_AFTER_S)


@given(st.lists(st.tuples(st.floats(0, 60), st.sampled_from(["north", "south"])), max_size=200))
def test_no_site_passes_more_than_its_bucket_and_what_fills_it_meanwhile(
    asks: list[tuple[float, str]],
) -> None:
    rate, passed = SiteRate(per_minute=6), {"north": 0, "south": 0}
    for at_s, site in sorted(asks):
        passed[site] += rate.take(site, after(at_s))

    assert all(count <= 12 for count in passed.values())


def test_a_site_that_has_spent_its_rate_is_named_and_another_is_not() -> None:
    rate = SiteRate(per_minute=2)

    taken = [rate.take("north", NOW) for _ in range(3)]
    rate.take("south", NOW)

    assert taken == [True, True, False]
    assert rate.spent(NOW) == ["north"]
    assert rate.spent(after(30.0)) == []


def test_a_spent_rate_fills_again_from_where_the_clock_was_put_back_to() -> None:
    rate = SiteRate(per_minute=2)
    for _ in range(2):
        rate.take("north", after(172_800.0))

    assert rate.spent(NOW) == ["north"]
    assert rate.spent(after(30.0)) == []


@pytest.mark.parametrize("count", [1, 1000])
def test_without_a_rate_everything_passes(count: int) -> None:
    rate = SiteRate(None)

    assert all(rate.take("north", NOW) for _ in range(count))
    assert rate.spent(NOW) == []


def test_the_age_of_a_posting_is_read_from_the_message_that_made_it_due() -> None:
    before = datetime.now(UTC) - timedelta(milliseconds=1)

    made_at = told_at(new_id())

    assert made_at is not None
    assert before <= made_at <= datetime.now(UTC)
