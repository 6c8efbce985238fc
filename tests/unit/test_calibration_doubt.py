"""A site calibration that is not about what the model of its tube gives is asked about."""

from typing import Any

import pytest

from schemas.outputs import load_spectrum_model
from schemas.tube_calibration import MeasuredOutput
from services.assessment.calibration_doubt import calibration_question
from services.assessment.exposure_technique import TubeGeometry
from services.assessment.tube_output import model_output
from tests.unit.test_calibration import calibration

MODEL = load_spectrum_model()
TUBE: dict[str, Any] = {"filtration_mm_al": 2.0, "anode_angle_degrees": 20.0}


def modelled(tube_kv: float) -> float:
    """Output by the model in µGy per mAs at its own distance."""
    return model_output(MODEL, tube_kv=tube_kv, **TUBE).kerma_ugy_per_mas


def asked(*told: tuple[float, float], distance_mm: float | None = None, **tube: Any) -> str | None:
    """Ask about a calibration of pairs of kV and output; give the words."""
    outputs = tuple(MeasuredOutput(tube_kv=kv, output_ugy_per_mas=out) for kv, out in told)
    measured = calibration(
        outputs=outputs, reference_distance_mm=distance_mm or MODEL.reference_distance_mm
    )
    found = calibration_question(measured, TubeGeometry(**(TUBE | tube)), MODEL)
    return None if found is None else found[1]


def test_what_the_model_gives_is_not_asked_about_and_a_thousandth_is() -> None:
    assert asked((60.0, modelled(60.0)), (70.0, modelled(70.0))) is None
    words = asked((60.0, modelled(60.0) / 1000.0)) or ""
    assert f"where the model of the tube gives {modelled(60.0):.3g}:" in words


def test_the_point_that_is_farthest_off_is_named() -> None:
    for far_kv, near_kv in ((60.0, 70.0), (70.0, 60.0)):
        words = asked(
            *sorted([(far_kv, modelled(far_kv) / 1000.0), (near_kv, modelled(near_kv) / 30.0)])
        )
        assert f"at {far_kv:g} kV" in (words or "")


def test_an_output_is_held_against_the_model_at_its_own_distance() -> None:
    twice = 2.0 * MODEL.reference_distance_mm

    assert asked((60.0, modelled(60.0) / 4.0), distance_mm=twice) is None


@pytest.mark.parametrize("unknown", ["filtration_mm_al", "anode_angle_degrees"])
def test_of_a_tube_that_is_not_known_nothing_is_asked(unknown: str) -> None:
    assert asked((60.0, modelled(60.0) / 1000.0), **{unknown: None}) is None


def test_without_a_model_or_beyond_it_nothing_is_asked() -> None:
    assert calibration_question(calibration(), TubeGeometry(**TUBE), None) is None
    assert asked((60.0, 0.01), filtration_mm_al=90.0) is None
    assert asked((140.0, 0.01)) is None
