"""A site calibration: which one holds, how it is read between its points, how sure it is."""

import json
import math
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from schemas.tube_calibration import LinearityCheck, MeasuredOutput, TubeCalibration
from services.assessment.calibration import (
    KV_MARGIN,
    CalibrationUse,
    calibrated_output_ugy_per_mas,
    calibrated_uncertainty,
    calibration_notes,
    calibration_on,
    linearity_coefficient,
)
from services.assessment.chosen_output import KermaBasis
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.kerma import ExposureKerma, estimate
from services.assessment.tube_output import OutOfRange


def calibration(**changes: Any) -> TubeCalibration:
    values: dict[str, Any] = {
        "name": "yearly-2026",
        "measured_on": date(2026, 1, 12),
        "valid_until": date(2027, 1, 31),
        "instrument": "invented meter",
        "reference_distance_mm": 1000.0,
        "relative_standard_uncertainty": 0.04,
        "outputs": (
            MeasuredOutput(tube_kv=60.0, output_ugy_per_mas=30.0),
            MeasuredOutput(tube_kv=70.0, output_ugy_per_mas=42.0),
        ),
    }
    return TubeCalibration(**(values | changes))


def checks(*outputs: float) -> tuple[LinearityCheck, ...]:
    return tuple(
        LinearityCheck(exposure_mas=0.2 * number, output_ugy_per_mas=output)
        for number, output in enumerate(outputs, start=1)
    )


def used(on: date | None, *calibrations: TubeCalibration) -> ExposureKerma:
    tube = TubeGeometry(source_to_skin_mm=200.0, calibrations=calibrations)
    technique = ExposureTechnique(
        fact_id="a", tube_kv=60.0, tube_current_ma=7.0, exposure_ms=200.0, on=on
    )
    return estimate(technique, tube, None)


def test_a_calibration_is_read_by_a_power_law_between_its_points() -> None:
    halfway = calibrated_output_ugy_per_mas(calibration(), tube_kv=math.sqrt(60.0 * 70.0))
    assert halfway == pytest.approx(math.sqrt(30.0 * 42.0))
    assert calibrated_output_ugy_per_mas(calibration(), tube_kv=60.0) == pytest.approx(30.0)


@given(exponent=st.floats(1.0, 4.0), kv=st.floats(58.0, 82.0))
def test_an_output_that_is_a_power_of_kv_is_read_exactly_and_within_the_margin_beyond(
    exponent: float, kv: float
) -> None:
    points = tuple(
        MeasuredOutput(tube_kv=at, output_ugy_per_mas=30.0 * (at / 60.0) ** exponent)
        for at in (60.0, 65.0, 80.0)
    )
    read = calibrated_output_ugy_per_mas(calibration(outputs=points), tube_kv=kv)
    assert read == pytest.approx(30.0 * (kv / 60.0) ** exponent)


@pytest.mark.parametrize("kv", [60.0 - KV_MARGIN - 0.1, 70.0 + KV_MARGIN + 0.1, math.nan])
def test_beyond_the_margin_a_calibration_says_nothing(kv: float) -> None:
    with pytest.raises(OutOfRange, match=r"tube_kv.*58 to 72"):
        calibrated_output_ugy_per_mas(calibration(), tube_kv=kv)


def test_a_single_point_goes_on_with_kv_squared_within_the_margin() -> None:
    single = calibration(outputs=(MeasuredOutput(tube_kv=65.0, output_ugy_per_mas=35.0),))
    assert calibrated_output_ugy_per_mas(single, tube_kv=65.0) == pytest.approx(35.0)
    assert calibrated_output_ugy_per_mas(single, tube_kv=66.3) == pytest.approx(35.0 * 1.02**2)
    with pytest.raises(OutOfRange, match="63 to 67"):
        calibrated_output_ugy_per_mas(single, tube_kv=68.0)


def test_beyond_its_points_a_calibration_is_less_sure() -> None:
    use = CalibrationUse(calibration(), expired=False)
    inside = calibrated_uncertainty(use, tube_kv=65.0)
    beyond = calibrated_uncertainty(use, tube_kv=72.0)
    assert inside == pytest.approx(math.hypot(0.04, 0.05), rel=1e-2)
    assert beyond == pytest.approx(math.hypot(0.04, 0.05, math.log(72 / 70)), rel=1e-2)


def test_the_newest_calibration_of_the_day_counts_and_none_that_came_later() -> None:
    old = calibration(
        name="old", measured_on=date(2025, 1, 10), valid_until=date(2026, 1, 31)
    )  # still valid when the new one is measured
    new = calibration()
    for order in ((old, new), (new, old)):
        assert calibration_on(order, date(2025, 1, 9)) is None
        assert calibration_on(order, date(2025, 1, 10)) == CalibrationUse(old, expired=False)
        assert calibration_on(order, date(2026, 1, 11)) == CalibrationUse(old, expired=False)
        assert calibration_on(order, date(2026, 1, 12)) == CalibrationUse(new, expired=False)
        assert calibration_on(order, date(2027, 2, 1)) == CalibrationUse(new, expired=True)
        assert calibration_on(order, None) == CalibrationUse(new, expired=False)


def test_an_expired_calibration_is_used_on_named_flagged_and_wider() -> None:
    valid = used(date(2027, 1, 31), calibration())
    expired = used(date(2027, 2, 1), calibration())
    assert valid.kerma is not None
    assert expired.kerma is not None
    assert expired.kerma.kerma_mgy == valid.kerma.kerma_mgy
    assert expired.kerma.basis is KermaBasis.CALIBRATION
    assert expired.kerma.calibration is not None
    assert expired.kerma.calibration.expired
    assert expired.kerma.relative_standard_uncertainty == pytest.approx(
        math.hypot(valid.kerma.relative_standard_uncertainty, 0.20), rel=1e-2
    )
    assert valid.notes == ()
    assert "valid until 2027-01-31" in expired.notes[0]


def test_before_the_first_calibration_none_is_used_and_it_is_said() -> None:
    found = used(date(2025, 12, 31), calibration())
    assert found.kerma is None
    assert "on or before the exposure's day" in found.notes[0]


def test_a_calibration_is_named_with_the_figure_that_rests_on_it() -> None:
    found = used(date(2026, 3, 2), calibration())
    assert found.kerma is not None
    assert found.kerma.calibration == CalibrationUse(calibration(), expired=False)
    assert found.kerma.kerma_mgy == pytest.approx(0.030 * 1.4 * 25)


def test_outputs_that_differ_by_mas_widen_the_uncertainty() -> None:
    use = CalibrationUse(calibration(linearity=checks(29.0, 31.0)), expired=False)
    # Half of the spread over the middle is 1/30; a rectangle of that half-width, over root 3.
    assert linearity_coefficient(use.calibration) == pytest.approx(1 / 30)
    assert calibrated_uncertainty(use, tube_kv=60.0) == pytest.approx(
        math.hypot(0.04, 0.05, 1 / 30 / math.sqrt(3)), rel=2e-3
    )
    assert calibration_notes(use) == []


# Source: 21 CFR 1020.31(c), from memory: |X1 - X2| is at most 0.10 (X1 + X2).
@pytest.mark.parametrize(("outputs", "noted"), [((27.0, 33.0), False), ((26.9, 33.1), True)])
def test_a_set_that_is_not_linear_is_to_be_looked_at(
    outputs: tuple[float, ...], noted: bool
) -> None:
    use = CalibrationUse(calibration(linearity=checks(*outputs)), expired=False)
    assert bool(calibration_notes(use)) == noted


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"outputs": []}, "outputs"),
        (
            {
                "outputs": [
                    {"tube_kv": 60.0, "output_ugy_per_mas": 30.0},
                    {"tube_kv": 60.0, "output_ugy_per_mas": 31.0},
                ]
            },
            "each tube_kv of outputs once",
        ),
        ({"valid_until": "2026-01-11"}, "valid_until on or after measured_on"),
        ({"relative_standard_uncertainty": 0.0}, "relative_standard_uncertainty"),
        ({"reference_distance_mm": 0.0}, "reference_distance_mm"),
        ({"instrument": ""}, "instrument"),
    ],
)
def test_a_calibration_that_cannot_be_is_refused_by_its_field(
    changes: dict[str, Any], named: str
) -> None:
    with pytest.raises(ValidationError, match=named):
        TubeCalibration.model_validate_json(json.dumps(TubeCalibration.EXAMPLES[0] | changes))
