"""Reject and repeat rates: counted by group, judged only where there are images enough."""

from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.quality import load_reject_targets
from schemas.quality.rates import (
    By,
    RatedImage,
    Verdict,
    rates_of,
    trend_of,
    wilson,
)

TARGETS = load_reject_targets()


def images(count: int, rejected: int, **changes: Any) -> list[RatedImage]:
    values: dict[str, Any] = {"day": date(2026, 3, 2), "repeat": False} | changes
    return [RatedImage(rejected=n < rejected, **values) for n in range(count)]


def verdict(count: int, rejected: int, target: str = "cgdent-digital") -> Verdict:
    (whole,) = rates_of(images(count, rejected), TARGETS)
    return whole.verdicts[target]


def test_fewer_images_than_an_audit_wants_are_not_judged() -> None:
    assert verdict(99, 99) is Verdict.TOO_FEW
    assert verdict(100, 100) is Verdict.ABOVE


def test_only_a_whole_interval_beyond_a_target_is_beyond_it() -> None:
    assert verdict(200, 10) is Verdict.NOT_CERTAIN  # exactly 5 %
    assert verdict(2_000, 60) is Verdict.WITHIN
    assert verdict(2_000, 140) is Verdict.ABOVE


def test_groups_are_counted_apart_and_the_untold_one_is_named() -> None:
    told = images(6, 3, operator="tech-1", reason="reason 111209")
    told += images(4, 0, operator=None)
    whole, first, second = rates_of(told, TARGETS, By.OPERATOR)
    assert (whole.group, whole.rejects.count, whole.rejects.images) == ("all", 3, 10)
    assert (first.group, first.rejects.share) == ("tech-1", 0.5)
    assert (second.group, second.rejects.count) == ("not told", 0)
    assert whole.reasons == {"reason 111209": 3}


def test_each_grouping_reads_its_own_field() -> None:
    told = images(1, 0, operator="tech-1", view="left lower molars", device="sensor-a")
    groups = {by: rates_of(told, TARGETS, by)[1].group for by in By}
    assert groups == {
        By.OPERATOR: "tech-1",
        By.VIEW: "left lower molars",
        By.DEVICE: "sensor-a",
    }


def test_no_image_is_no_rate_and_no_verdict() -> None:
    (whole,) = rates_of([], TARGETS)
    assert (whole.rejects.low, whole.rejects.high) == (0.0, 1.0)
    assert set(whole.verdicts.values()) == {Verdict.TOO_FEW}


def test_a_rate_that_grows_by_month_is_called_rising_and_a_level_one_is_not() -> None:
    rising = trend_of({1: (5, 200), 2: (12, 200), 3: (25, 200), 4: (40, 200)})
    level = trend_of({1: (10, 200), 2: (11, 200), 3: (9, 200), 4: (10, 200)})
    assert rising is not None
    assert level is not None
    assert rising.words.startswith("rising over 4 months (Cochran-Armitage")
    assert level.words.startswith("no trend seen")


def test_months_of_two_years_follow_each_other() -> None:
    december = images(100, 2, day=date(2025, 12, 30))
    january = images(100, 20, day=date(2026, 1, 2))
    (whole,) = rates_of(january + december, TARGETS)
    assert whole.trend is not None
    assert whole.trend.z > 0


@pytest.mark.parametrize(
    "months", [{}, {1: (3, 9)}, {1: (0, 9), 2: (0, 9)}, {1: (9, 9), 2: (4, 4)}]
)
def test_where_nothing_can_be_seen_no_trend_is_told(months: dict[int, tuple[int, int]]) -> None:
    assert trend_of(months) is None


@given(st.integers(0, 300), st.integers(0, 300))
def test_an_interval_holds_its_share_and_stays_between_none_and_all(a: int, b: int) -> None:
    count, of = min(a, b), max(a, b)
    low, high = wilson(count, of)
    assert 0.0 <= low <= high <= 1.0
    if of:
        assert low <= count / of <= high


def test_more_rejected_than_there_are_is_refused() -> None:
    with pytest.raises(ValueError, match="expected 0 to 3"):
        wilson(4, 3)


@given(data=st.data())
def test_the_order_of_images_is_no_matter(data: st.DataObject) -> None:
    told = images(5, 2, operator="a") + images(5, 1, operator="b", day=date(2026, 4, 1))
    shuffled = data.draw(st.permutations(told))
    assert rates_of(shuffled, TARGETS, By.OPERATOR) == rates_of(told, TARGETS, By.OPERATOR)
