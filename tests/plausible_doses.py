"""Invented exposures as an ordinary tube makes them, and what is asked about them."""

import math
from dataclasses import replace
from typing import Any

from hypothesis import strategies as st

from schemas.outputs import Waveform, load_spectrum_model
from services.assessment.dose_doubt import Doubt
from services.assessment.dose_plausibility import doubts_of
from services.assessment.exposure_technique import (
    ExposureTechnique,
    RectangularField,
    RoundField,
    TubeGeometry,
)
from services.assessment.kerma import estimate
from services.assessment.kerma_uncertainty import (
    DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
    MODEL_RELATIVE_STANDARD_UNCERTAINTY,
    log_deviation,
)

MODEL = load_spectrum_model()
TUBE = TubeGeometry(
    filtration_mm_al=2.0,
    anode_angle_degrees=16.0,
    source_to_skin_mm=200.0,
    field=RoundField(diameter_mm=60.0, at_distance_mm=200.0),
    waveform="rectified",
)
UNLISTED = TubeGeometry()
WAVES: list[Waveform] = ["constant_potential", "rectified", "unknown"]

tubes = st.builds(
    TubeGeometry,
    filtration_mm_al=st.floats(1.5, 3.0),
    anode_angle_degrees=st.floats(12.0, 20.0),
    source_to_skin_mm=st.floats(180.0, 300.0),
    field=st.one_of(
        st.builds(RoundField, diameter_mm=st.floats(40.0, 70.0)),
        st.builds(RectangularField, width_mm=st.just(35.0), height_mm=st.just(45.0)),
    ),
    waveform=st.sampled_from(WAVES),
)
# Common practice, no published source: what intraoral sets offer.
plausible_settings = st.fixed_dictionaries(
    {
        "tube_kv": st.floats(50.0, 90.0),
        "tube_current_ma": st.floats(1.0, 15.0),
        "exposure_ms": st.floats(10.0, 3200.0),
    }
)
away = st.floats(-2.0, 2.0)
"""How far a machine is from the model, in standard deviations: what its interval (k = 2) holds."""


def told(fact_id: str = "a", **values: Any) -> ExposureTechnique:
    usual = {"tube_kv": 65.0, "tube_current_ma": 7.0, "exposure_ms": 200.0}
    return ExposureTechnique(fact_id=fact_id, **(usual | values))


def asked(technique: ExposureTechnique, tube: TubeGeometry = TUBE) -> tuple[Doubt, ...]:
    return doubts_of(technique, tube, MODEL, estimate(technique, tube, MODEL))


def by_settings(technique: ExposureTechnique, tube: TubeGeometry) -> tuple[float, float]:
    """Kerma and area product that the settings give by the model."""
    found = estimate(
        replace(technique, reported_kerma_mgy=None, reported_kap_mgycm2=None), tube, MODEL
    )
    assert found.kerma is not None
    assert found.kap is not None
    return found.kerma.kerma_mgy, found.kap.kap_mgycm2


def off_by(tube: TubeGeometry, deviations: float) -> float:
    """A factor that so many deviations of model and indication together make."""
    deviation = math.hypot(
        log_deviation(MODEL_RELATIVE_STANDARD_UNCERTAINTY[tube.waveform]),
        log_deviation(DEVICE_RELATIVE_STANDARD_UNCERTAINTY),
    )
    return math.exp(deviations * deviation)


def only(doubts: tuple[Doubt, ...]) -> Doubt:
    assert len(doubts) == 1, [doubt.words for doubt in doubts]
    return doubts[0]
