"""The offset between two clocks, found from times alone or from readings."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.assessment.clock_offset import (
    AGREEMENT_S,
    ClockReading,
    Clocks,
    offset_candidates,
)


@given(seed=st.integers(0, 10_000), offset_s=st.floats(-590.0, 590.0))
def test_the_best_candidate_is_the_true_offset_among_irregular_exposures(
    seed: int, offset_s: float
) -> None:
    rng = random.Random(seed)
    at_s, exposures = 0.0, []
    for _ in range(20):
        at_s += rng.uniform(30.0, 300.0)
        exposures.append(at_s)
    images = [at + offset_s + rng.uniform(-1.0, 1.0) for at in exposures]
    best = offset_candidates(exposures, images)[0]
    # Within half the width: where chance adds a difference or two, the median hardly moves.
    assert abs(best.offset_s - offset_s) < AGREEMENT_S / 2
    assert best.support >= 19


def test_a_third_of_strangers_does_not_move_the_offset() -> None:
    exposures = [0.0, 95.0, 160.0, 290.0, 345.0, 470.0, 560.0, 700.0]
    images = [at + 120.0 for at in exposures[:6]] + [33.0, 512.0, 801.0]
    assert offset_candidates(exposures, images)[0].offset_s == pytest.approx(120.0)


def test_at_equal_support_the_smaller_offset_comes_first() -> None:
    candidates = offset_candidates([0.0, 500.0], [490.0])
    assert [c.offset_s for c in candidates] == [-10.0, 490.0]


def test_the_window_lies_alike_on_both_sides() -> None:
    for edge_s in (-100.0, 100.0):
        (found,) = offset_candidates([0.0], [edge_s], window_s=100.0)
        assert found.offset_s == edge_s
    for beyond_s in (-100.5, 100.5):
        assert offset_candidates([0.0], [beyond_s], window_s=100.0) == ()


def test_nothing_within_the_window_gives_no_candidate() -> None:
    assert offset_candidates([0.0], [1000.0]) == ()
    assert offset_candidates([], [1.0]) == ()


@given(
    exposures=st.lists(st.floats(0.0, 5000.0), max_size=12),
    images=st.lists(st.floats(0.0, 5000.0), max_size=12),
    data=st.data(),
)
def test_the_order_of_the_times_is_no_matter(
    exposures: list[float], images: list[float], data: st.DataObject
) -> None:
    expected = offset_candidates(exposures, images)
    shuffled = offset_candidates(
        data.draw(st.permutations(exposures)), data.draw(st.permutations(images))
    )
    assert shuffled == expected


def test_a_reading_corrects_its_own_device_and_no_other() -> None:
    clocks = Clocks.of([ClockReading("generator-1", true_s=1000.0, device_s=1180.0)])
    assert clocks.is_read("generator-1")
    assert clocks.corrected_s("generator-1", 2180.0) == 2000.0
    assert not clocks.is_read("station-1")
    assert clocks.corrected_s("station-1", 2180.0) == 2180.0


def test_an_hour_more_or_less_is_looked_at_where_asked_for() -> None:
    assert offset_candidates([0.0], [3603.0]) == ()
    assert [c.offset_s for c in offset_candidates([0.0], [3603.0], hours=True)] == [3603.0]
    assert [c.offset_s for c in offset_candidates([3600.0], [4.0], hours=True)] == [-3596.0]


def test_between_two_readings_that_tell_a_drift_the_error_is_interpolated() -> None:
    clocks = Clocks.of(
        [ClockReading("generator-1", 0.0, 0.0), ClockReading("generator-1", 10_000.0, 10_004.0)]
    )
    assert clocks.corrected_s("generator-1", 5_002.0) == pytest.approx(5_000.0)


def test_of_two_readings_the_nearer_one_holds() -> None:
    clocks = Clocks.of(
        [
            ClockReading("generator-1", true_s=0.0, device_s=60.0),
            ClockReading("generator-1", true_s=10_000.0, device_s=10_000.0),
        ]
    )
    assert clocks.corrected_s("generator-1", 100.0) == 40.0
    assert clocks.corrected_s("generator-1", 9_000.0) == 9_000.0
