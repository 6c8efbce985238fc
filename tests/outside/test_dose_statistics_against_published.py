"""Percentiles, control limits and sample sizes against published rules and other libraries."""

import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.assessment.control_limits import D2, D4, individuals_limits
from services.assessment.typical_values import (
    LEAST_PATIENTS,
    LEAST_ROOMS,
    PERCENTILE,
    quantile,
)

VALUES = st.lists(st.floats(0.0, 1e6), min_size=1, max_size=40)


@settings(max_examples=100, deadline=None)
@given(VALUES, st.floats(0.0, 1.0))
def test_a_percentile_is_that_of_numpy(values: list[float], share: float) -> None:
    assert quantile(values, share) == pytest.approx(np.quantile(values, share), rel=1e-9, abs=1e-9)


def test_a_percentile_is_that_of_the_standard_library_too() -> None:
    values = [0.53, 1.1, 1.2, 1.6, 2.11, 3.07, 4.0]
    low, middle, high = statistics.quantiles(values, n=4, method="inclusive")
    assert [quantile(values, share) for share in (0.25, 0.5, 0.75)] == [low, middle, high]


def test_control_limits_are_those_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: ten batches of a flow rate. The
    # values are from memory; mean, mean range and limits were read as quoted by another project.
    values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    limits = individuals_limits(values)
    assert limits is not None
    assert limits.centre == pytest.approx(50.81, abs=5e-3)
    assert limits.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert limits.upper == pytest.approx(55.8041, abs=1e-3)
    assert limits.lower == pytest.approx(45.8159, abs=1e-3)
    assert limits.beyond == ()


def test_control_limits_are_those_of_a_quality_handbook() -> None:
    # Pyzdek and Keller, The Handbook for Quality Management, p. 185 and table 9.4 (read): limits
    # at the mean ± 2.66 mean ranges; these are its 25 values with their ranges.
    values = [110, 103, 97, 96, 105, 110, 100, 93, 90, 103, 97, 103, 90, 97, 99, 106, 90, 96, 109]
    values += [90, 91, 108, 96, 101, 96]
    ranges = [7, 6, 1, 9, 5, 10, 7, 3, 13, 6, 6, 13, 7, 2, 7, 16, 6, 13, 19, 1, 17, 12, 5, 5]
    limits = individuals_limits([float(value) for value in values])
    assert limits is not None
    mean_range = sum(ranges) / len(ranges)
    assert limits.mean_moving_range == pytest.approx(mean_range)
    assert limits.upper - limits.centre == pytest.approx(2.66 * mean_range, rel=1e-3)


def test_the_constants_are_those_of_two_normal_values() -> None:
    # d2 = 2/√π and D4 = 1 + 3·d3/d2 with d3² = 2 - 4/π (Montgomery, from memory).
    assert pytest.approx(2 / np.sqrt(np.pi), abs=5e-4) == D2
    assert pytest.approx(1 + 3 * np.sqrt(2 - 4 / np.pi) / (2 / np.sqrt(np.pi)), abs=5e-4) == D4


def test_fewer_than_eight_values_give_no_limits() -> None:
    assert individuals_limits([1.0] * 7) is None
    assert individuals_limits([1.0] * 8) is not None


def test_a_value_far_off_is_found_with_the_steps_to_and_from_it() -> None:
    values = [1.0, 1.1, 0.9, 1.0, 1.1, 1.0, 0.9, 1.0, 1.1, 1.0, 3.0, 1.0, 1.1, 0.9, 1.0, 1.1]
    limits = individuals_limits(values)
    assert limits is not None
    assert limits.beyond == (10,)
    assert limits.range_beyond == (10, 11)


def test_sample_sizes_and_percentile_are_those_of_icrp_135() -> None:
    # ICRP Publication 135, 2017, in the ICRP's glossary (icrpaedia.org, read): a local level is the
    # 75th percentile in 'a reasonable number (e.g. 10-20) of x-ray rooms', a typical value the
    # median of a facility where rooms are fewer. At least 20 patients: from memory.
    assert PERCENTILE == 0.75
    assert 10 <= LEAST_ROOMS <= 20
    assert LEAST_PATIENTS == 20
