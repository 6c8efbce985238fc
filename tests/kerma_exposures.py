"""An invented tube and exposures of it, for the tests of kerma."""

from typing import Any

from hypothesis import strategies as st

from schemas.outputs import load_spectrum_model
from services.assessment.exposure_technique import ExposureTechnique, RoundField, TubeGeometry
from tests.unit.test_calibration import calibration

MODEL = load_spectrum_model()
CALIBRATION = calibration(relative_standard_uncertainty=0.05)
TUBE = TubeGeometry(
    filtration_mm_al=2.0,
    anode_angle_degrees=20.0,
    source_to_skin_mm=200.0,
    field=RoundField(diameter_mm=60.0),
)

kilovolts = st.floats(50.0, 90.0)
distances = st.floats(100.0, 600.0)


def exposure(**changes: Any) -> ExposureTechnique:
    told = {"tube_kv": 60.0, "tube_current_ma": 7.0, "exposure_ms": 200.0} | changes
    return ExposureTechnique(fact_id="a", **told)
