"""How uncertain a kerma is, and what adds to it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.assessment.exposure_technique import RoundField, TubeGeometry
from services.assessment.kerma import estimate
from services.assessment.kerma_uncertainty import combined, interval
from tests.kerma_exposures import CALIBRATION, exposure


@given(value=st.floats(0.01, 100.0), u=st.floats(0.001, 1.0))
def test_an_interval_stays_above_zero_and_holds_its_value(value: float, u: float) -> None:
    low, high = interval(value, u)
    assert 0 < low < value < high
    assert low * high == pytest.approx(value**2)


def test_small_uncertainties_combine_in_quadrature() -> None:
    assert combined(0.03, 0.04) == pytest.approx(0.05, rel=1e-3)


def test_distance_and_field_size_add_to_the_uncertainty() -> None:
    tube = TubeGeometry(
        source_to_skin_mm=200.0, field=RoundField(diameter_mm=60.0), calibrations=(CALIBRATION,)
    )
    found = estimate(exposure(), tube, None)
    assert found.kerma is not None
    assert found.kap is not None
    # 5 % calibration, 5 % of one exposure; 2.5 % of the distance counts twice; 5 % of the area.
    assert found.kerma.relative_standard_uncertainty == pytest.approx(
        math.hypot(0.05, 0.05, 0.05), rel=1e-2
    )
    assert found.kap.relative_standard_uncertainty == pytest.approx(
        math.hypot(0.05, 0.05, 0.05, 0.05), rel=1e-2
    )


def test_the_distance_cancels_in_the_product_where_the_field_widens_with_it() -> None:
    tube = TubeGeometry(
        source_to_skin_mm=200.0,
        field=RoundField(diameter_mm=60.0, at_distance_mm=200.0),
        calibrations=(CALIBRATION,),
    )
    found = estimate(exposure(source_to_skin_mm=260.0), tube, None)
    assert found.kap is not None
    assert found.at_reference is not None
    assert found.kap.relative_standard_uncertainty == pytest.approx(
        math.hypot(0.05, 0.05, 0.05), rel=1e-2
    )
    assert found.at_reference.relative_standard_uncertainty == pytest.approx(
        math.hypot(0.05, 0.05), rel=1e-2
    )
