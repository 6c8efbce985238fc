"""Intervals, trend and deviation index against outside values.

Outside: ``scipy.stats.binomtest(...).proportion_ci(method='wilson')`` for the interval, and
``scipy.stats.pearsonr`` for the trend: the Cochran-Armitage statistic z is r times the root of the
number of images, for r between month and rejection (from memory; here it is seen to hold). The
deviation index: ratios 0.5, 1.25 and 2 give -3.01, +0.97 and +3.01 by IEC 62494-1 (computed).
"""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest, norm, pearsonr

from schemas.quality.rates import trend_of, wilson
from services.assessment.quality import deviation_index


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2_000), st.integers(1, 2_000))
def test_the_wilson_interval_is_that_of_scipy(a: int, b: int) -> None:
    count, of = min(a, b), max(a, b)

    theirs = binomtest(count, of).proportion_ci(confidence_level=0.95, method="wilson")

    assert wilson(count, of) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


month = st.tuples(st.integers(0, 40), st.integers(0, 40)).map(lambda pair: (min(pair), max(pair)))


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.integers(24_300, 24_324), month, min_size=2, max_size=12))
def test_the_trend_is_the_correlation_of_month_and_rejection(
    months: dict[int, tuple[int, int]],
) -> None:
    held = {m: (r, n) for m, (r, n) in months.items() if n}
    found = trend_of(held)
    assume(found is not None)
    assert found is not None
    at = np.repeat(list(held), [n for _, n in held.values()])
    rejected = np.concatenate([[1.0] * r + [0.0] * (n - r) for r, n in held.values()])

    correlation = float(pearsonr(at, rejected).statistic)

    assert found.z == pytest.approx(correlation * math.sqrt(len(at)), abs=1e-6)
    assert found.p == pytest.approx(2 * float(norm.sf(abs(found.z))), abs=1e-9)


@pytest.mark.parametrize(("ratio", "index"), [(0.5, -3.01), (1.0, 0.0), (1.25, 0.97), (2.0, 3.01)])
def test_the_deviation_index_is_ten_times_the_logarithm_of_the_ratio(
    ratio: float, index: float
) -> None:
    found = deviation_index(400.0 * ratio, 400.0)

    assert found is not None
    assert round(found, 2) == index
