"""Wrong dose data is asked about, and whatever a device tells there is no crash."""

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from schemas.tube_calibration import MeasuredOutput
from services.assessment.dose import assess_dose
from services.assessment.dose_doubt import is_far
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from tests.plausible_doses import MODEL, TUBE, UNLISTED, asked, by_settings, only, told
from tests.unit.test_calibration import calibration


@pytest.mark.parametrize(
    ("mas", "slips"),
    [(1400.0, ("uas-as-mas",)), (0.0014, ("as-as-mas",)), (2.8, ()), (0.9, ()), (4.0, ())],
)
def test_a_charge_that_is_not_the_product_of_current_and_time_is_asked_about(
    mas: float, slips: tuple[str, ...]
) -> None:
    doubt = only(asked(told(exposure_mas=mas)))
    assert (doubt.code, doubt.slips) == ("charge-implausible", slips)
    assert "1.4 mAs" in doubt.words


@pytest.mark.parametrize("mas", [1.4, 1.5, 1.0, 0.0])
def test_a_charge_that_was_rounded_or_not_told_is_not_asked_about(mas: float) -> None:
    assert asked(told(exposure_mas=mas)) == ()


def test_a_field_larger_than_the_collimator_is_asked_about() -> None:
    # Each figure alone is within what the model leaves open; both together are not.
    kerma, kap = by_settings(told(), TUBE)
    doubt = only(asked(told(reported_kerma_mgy=kerma / 2.5, reported_kap_mgycm2=kap * 2.5)))
    assert (doubt.code, doubt.of_kerma, doubt.of_kap) == ("area-implausible", True, True)
    assert "the collimator's field is 28.3 cm²" in doubt.words


def test_without_a_tube_a_pair_is_held_against_the_largest_field_of_a_code() -> None:
    unset = ExposureTechnique(fact_id="a", reported_kerma_mgy=1.0, reported_kap_mgycm2=2830.0)
    doubt = only(asked(unset, UNLISTED))
    assert (doubt.code, doubt.slips[0]) == ("area-implausible", "mgycm2-as-dgycm2")
    assert "4 to 38.5 cm²" in doubt.words
    assert asked(replace(unset, reported_kap_mgycm2=28.3), UNLISTED) == ()


def test_a_kerma_told_of_nothing_delivered_is_asked_about() -> None:
    doubt = only(asked(told(exposure_ms=0.0, reported_kerma_mgy=1.0)))
    assert (doubt.code, doubt.slips) == ("kerma-implausible", ())
    assert asked(told(exposure_ms=0.0, reported_kerma_mgy=0.0)) == ()


def calibrated(output_ugy_per_mas: float) -> TubeGeometry:
    measured = calibration(
        reference_distance_mm=200.0,
        relative_standard_uncertainty=0.05,
        outputs=(MeasuredOutput(tube_kv=65.0, output_ugy_per_mas=output_ugy_per_mas),),
    )
    return replace(TUBE, calibrations=(measured,))


def test_a_calibration_in_a_wrong_unit_is_asked_about_wherever_a_figure_rests_on_it() -> None:
    doubt = only(asked(told(), calibrated(0.9)))
    assert (doubt.code, doubt.slips) == ("calibration-implausible", ("output-in-mgy",))
    assert doubt.of_kerma
    assert doubt.of_kap
    assert asked(told(), calibrated(900.0)) == ()
    # A device's own figure does not rest on it, and is held against the model instead.
    kerma, _ = by_settings(told(), TUBE)
    assert asked(told(reported_kerma_mgy=kerma), calibrated(0.9)) == ()


def test_a_calibration_narrows_what_is_plausible() -> None:
    kerma, _ = by_settings(told(), calibrated(900.0))
    third = told(reported_kerma_mgy=kerma / 3.0)
    assert only(asked(third, calibrated(900.0))).slips == ()
    assert asked(third, TUBE) == ()


ORDINARY: dict[str, Any] = {"tube_kv": 65.0, "tube_current_ma": 7.0, "exposure_ms": 200.0}


@given(
    kerma=st.none() | st.floats(0.0, allow_nan=False, allow_infinity=False),
    kap=st.none() | st.floats(0.0, allow_nan=False, allow_infinity=False),
    skin_mm=st.none() | st.floats(0.0, allow_nan=False, allow_infinity=False),
    values=st.fixed_dictionaries(
        {
            "tube_kv": st.floats(0.001, 200.0),
            "tube_current_ma": st.floats(1e-9, 1000.0),
            "exposure_ms": st.floats(0.0, 60_000.0),
            "exposure_mas": st.none() | st.floats(0.0, 1e9),
        }
    ),
    tube=st.sampled_from([TUBE, UNLISTED, calibrated(900.0)]),
)
@example(kerma=1.0, kap=1.0, skin_mm=1e-200, values=ORDINARY, tube=TUBE)
@example(kerma=None, kap=1.0, skin_mm=1e-200, values=ORDINARY, tube=TUBE)
@example(kerma=1e308, kap=None, skin_mm=1e200, values=ORDINARY, tube=TUBE)
@settings(max_examples=80)
def test_whatever_a_device_tells_there_are_figures_and_words_and_no_crash(
    kerma: float | None,
    kap: float | None,
    skin_mm: float | None,
    values: dict[str, Any],
    tube: TubeGeometry,
) -> None:
    technique = told(
        source_to_skin_mm=skin_mm, reported_kerma_mgy=kerma, reported_kap_mgycm2=kap, **values
    )
    study = assess_dose(
        [technique, replace(technique, fact_id="b")], {"": tube}, limits=None, model=MODEL
    )
    for doubt in study.exposures[0].doubts:
        assert doubt.words.endswith("in no sum.")
        assert len(doubt.words) < 1000
    for value in (study.total.kerma_with_doubtful_mgy, study.total.kap_with_doubtful_mgycm2):
        assert value is None or math.isfinite(value)


def test_a_ratio_is_asked_about_beyond_three_standard_deviations_only() -> None:
    # 3 of a normal distribution: of right figures 1 in 370.
    for sign in (1.0, -1.0):
        assert not is_far(sign * 0.75, 0.25)
        assert is_far(sign * 0.7501, 0.25)
