"""Right data, as far off as published surveys are, raises no question."""

import math
from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.outputs import Waveform
from services.assessment.exposure_technique import TubeGeometry
from services.assessment.kerma import kerma_of_settings
from services.assessment.kerma_uncertainty import (
    DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
    log_deviation,
)
from tests.plausible_doses import (
    MODEL,
    TUBE,
    WAVES,
    asked,
    away,
    by_settings,
    off_by,
    plausible_settings,
    told,
    tubes,
)


@settings(max_examples=60)
@given(values=plausible_settings, tube=tubes, far=away, pair=st.floats(-1.5, 1.5))
def test_an_exposure_within_the_models_interval_raises_no_question(
    values: dict[str, Any], tube: TubeGeometry, far: float, pair: float
) -> None:
    technique = told(**values)
    kerma, kap = by_settings(technique, tube)
    factor = off_by(tube, far)
    device = math.exp(pair * log_deviation(DEVICE_RELATIVE_STANDARD_UNCERTAINTY))
    reported = {
        "reported_kerma_mgy": kerma * factor,
        "reported_kap_mgycm2": kap * factor * device,
        "exposure_mas": values["tube_current_ma"] * values["exposure_ms"] / 1000.0,
        "set_exposure_ms": values["exposure_ms"],
    }
    assert asked(technique, tube) == ()
    assert asked(replace(technique, **reported), tube) == ()


# Surveys of machines, each in mGy per mAs at the cone's end and kV; see
# tests/outside/test_kerma_against_surveys.py for the sources.
PUBLISHED = [(62.6, 2.11 / (7.9 * 0.5)), (60.0, 1.5 / (6 * 0.23)), (65.0, 1.03)]


@pytest.mark.parametrize("waveform", WAVES)
@pytest.mark.parametrize(("tube_kv", "mgy_per_mas"), PUBLISHED)
def test_the_published_surveys_raise_no_question_at_any_tube(
    waveform: Waveform, tube_kv: float, mgy_per_mas: float
) -> None:
    for filtration in (1.5, 2.0, 2.5, 3.0):
        for angle in (12.0, 16.0, 20.0):
            tube = replace(
                TUBE, waveform=waveform, filtration_mm_al=filtration, anode_angle_degrees=angle
            )
            assert asked(told(tube_kv=tube_kv, reported_kerma_mgy=mgy_per_mas * 1.4), tube) == ()


def invented_exposures(number: int, log_ratio: Callable[[Random], float]) -> int:
    """Count the questions about right data whose machines differ from the model at random."""
    random = Random(20261126)
    questions = 0
    for _ in range(number):
        technique = told(
            tube_kv=random.choice([60.0, 63.0, 65.0, 70.0]),
            tube_current_ma=random.choice([2.0, 4.0, 7.0, 8.0]),
            exposure_ms=random.uniform(20.0, 1000.0),
        )
        kerma = kerma_of_settings(technique, TUBE, MODEL)
        assert kerma is not None
        ratio = math.exp(log_ratio(random))
        pair = math.exp(random.gauss(0.0, log_deviation(0.1)))
        reported = replace(
            technique,
            reported_kerma_mgy=kerma.kerma_mgy * ratio,
            reported_kap_mgycm2=kerma.kerma_mgy * ratio * pair * 9.0 * math.pi,
        )
        questions += bool(asked(reported))
    return questions


def test_few_questions_are_asked_about_right_data_even_as_far_off_as_the_interval_says() -> None:
    deviation = math.log(off_by(TUBE, 1.0))
    assert invented_exposures(3000, lambda random: random.gauss(0.0, deviation)) <= 18  # 0.6 %


def test_no_question_is_asked_of_machines_as_the_surveys_found_them() -> None:
    # Invented spread about the three published ratios to this tube's model: 30 % (k = 1).
    ratios = []
    for tube_kv, mgy_per_mas in PUBLISHED:
        one_mas = told(tube_kv=tube_kv, tube_current_ma=1.0, exposure_ms=1000.0)
        ours = kerma_of_settings(one_mas, TUBE, MODEL)
        assert ours is not None
        ratios.append(math.log(mgy_per_mas / ours.kerma_mgy))
    spread = log_deviation(0.3)
    assert invented_exposures(3000, lambda r: r.choice(ratios) + r.gauss(0.0, spread)) == 0
