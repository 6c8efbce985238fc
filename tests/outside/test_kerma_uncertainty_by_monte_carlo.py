"""Our uncertainties against a propagation of distributions, and the rule for small ones.

Sources: JCGM 101:2008 (propagation by Monte Carlo; validation of the GUM framework by it, clause
8, from its table of contents, read), JCGM 100:2008 section 5.1 (law of propagation, equation 10,
read in part) and its equation 12 (from memory). numpy draws; seeds are fixed, numbers modest.
"""

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.outputs import load_spectrum_model
from schemas.tube_calibration import MeasuredOutput
from services.assessment.dose import assess_dose
from services.assessment.exposure_technique import ExposureTechnique, RoundField, TubeGeometry
from services.assessment.kerma import estimate
from services.assessment.kerma_uncertainty import (
    AREA_RELATIVE_STANDARD_UNCERTAINTY,
    DEVICE_RELATIVE_STANDARD_UNCERTAINTY,
    DISTANCE_RELATIVE_STANDARD_UNCERTAINTY,
    MODEL_RELATIVE_STANDARD_UNCERTAINTY,
    REPRODUCIBILITY_RELATIVE_STANDARD_UNCERTAINTY,
    combined,
    combined_powers,
    interval,
    log_deviation,
)
from tests.unit.test_calibration import calibration

DRAWS = 200_000
MODEL = load_spectrum_model()
TECHNIQUE = ExposureTechnique(
    fact_id="a", tube="wall", tube_kv=60.0, tube_current_ma=7.0, exposure_ms=200.0
)
Draws = npt.NDArray[np.float64]


def generator() -> np.random.Generator:
    return np.random.default_rng(20261126)


def log_normal(rng: np.random.Generator, relative: float) -> Draws:
    """Factors about 1 whose standard deviation over mean is ``relative``."""
    return np.exp(rng.normal(0.0, log_deviation(relative), DRAWS))


def normal(rng: np.random.Generator, relative: float) -> Draws:
    return rng.normal(1.0, relative, DRAWS)


def relative(draws: Draws) -> float:
    return float(draws.std() / draws.mean())


def share_inside(draws: Draws, value: float, uncertainty: float) -> float:
    low, high = interval(value, uncertainty)
    return float(((low <= draws) & (draws <= high)).mean())


def tube(**changes: object) -> TubeGeometry:
    values: dict[str, object] = {
        "filtration_mm_al": 2.0,
        "anode_angle_degrees": 16.0,
        "source_to_skin_mm": 200.0,
        "field": RoundField(diameter_mm=60.0, at_distance_mm=200.0),
        "waveform": "rectified",
    }
    return TubeGeometry(**(values | changes))  # type: ignore[arg-type]


@given(
    inputs=st.lists(
        st.tuples(st.floats(0.0, 0.1), st.sampled_from([-2.0, -1.0, 1.0, 2.0])), max_size=5
    )
)
def test_small_uncertainties_combine_by_the_rule_for_products_of_powers(
    inputs: list[tuple[float, float]],
) -> None:
    # JCGM 100 equation 12: the root of the sum of (power times relative uncertainty) squared.
    rule = math.sqrt(math.fsum((power * u) ** 2 for u, power in inputs))
    assert combined_powers(*inputs) == pytest.approx(rule, rel=0.05, abs=1e-7)


def test_large_uncertainties_combine_as_distributions_do() -> None:
    rng = generator()
    product = log_normal(rng, 0.9) * log_normal(rng, 0.25) * log_normal(rng, 0.025) ** -2
    ours = combined_powers((0.9, 1.0), (0.25, 1.0), (0.025, -2.0))
    assert relative(product) == pytest.approx(ours, rel=0.03)
    assert share_inside(product, 1.0, ours) == pytest.approx(0.9545, abs=0.005)


def test_the_uncertainty_of_a_calibrated_kerma_is_that_of_its_propagated_inputs() -> None:
    # Normal inputs here, not ours: at these sizes the shape does not matter.
    rng = generator()
    drawn = (
        normal(rng, 0.04)
        * normal(rng, REPRODUCIBILITY_RELATIVE_STANDARD_UNCERTAINTY)
        / normal(rng, DISTANCE_RELATIVE_STANDARD_UNCERTAINTY) ** 2
    )
    found = estimate(TECHNIQUE, tube(calibrations=(calibration(),)), MODEL).kerma
    assert found is not None
    ours = found.relative_standard_uncertainty
    assert relative(drawn) == pytest.approx(ours, rel=0.03)
    assert share_inside(drawn * found.kerma_mgy, found.kerma_mgy, ours) == pytest.approx(
        0.9545, abs=0.01
    )


def test_the_uncertainty_between_two_measured_outputs_is_not_below_that_of_one() -> None:
    # The two points share instrument and measurer, so reading between them averages nothing.
    points = (
        MeasuredOutput(tube_kv=55.0, output_ugy_per_mas=25.0),
        MeasuredOutput(tube_kv=65.0, output_ugy_per_mas=36.0),
    )
    between = estimate(TECHNIQUE, tube(calibrations=(calibration(outputs=points),)), MODEL).kerma
    at_point = estimate(TECHNIQUE, tube(calibrations=(calibration(),)), MODEL).kerma
    assert between is not None
    assert at_point is not None
    assert between.relative_standard_uncertainty == at_point.relative_standard_uncertainty


def test_the_distance_that_both_factors_share_is_propagated_once() -> None:
    rng = generator()
    output = log_normal(rng, MODEL_RELATIVE_STANDARD_UNCERTAINTY["rectified"])
    distance = log_normal(rng, DISTANCE_RELATIVE_STANDARD_UNCERTAINTY)
    area = log_normal(rng, AREA_RELATIVE_STANDARD_UNCERTAINTY)
    kerma = output / distance**2
    kap = kerma * area * distance**2  # the field widens with the distance
    found = estimate(TECHNIQUE, tube(), MODEL)
    assert found.kerma is not None
    assert found.kap is not None
    assert relative(kerma) == pytest.approx(found.kerma.relative_standard_uncertainty, rel=0.02)
    assert relative(kap) == pytest.approx(found.kap.relative_standard_uncertainty, rel=0.02)


def test_kerma_from_a_reported_product_has_the_uncertainty_of_area_and_distance() -> None:
    rng = generator()
    drawn = log_normal(rng, DEVICE_RELATIVE_STANDARD_UNCERTAINTY) / (
        log_normal(rng, AREA_RELATIVE_STANDARD_UNCERTAINTY)
        * log_normal(rng, DISTANCE_RELATIVE_STANDARD_UNCERTAINTY) ** 2
    )
    told = ExposureTechnique(fact_id="a", reported_kap_mgycm2=45.0)
    found = estimate(told, tube(), MODEL).kerma
    assert found is not None
    assert relative(drawn) == pytest.approx(found.relative_standard_uncertainty, rel=0.02)


def test_the_sum_of_one_tubes_exposures_is_as_unsure_as_what_they_share() -> None:
    # Given exposures of one tube by the model, and reports of two devices,
    rng = generator()
    models = log_normal(rng, 0.7)
    distances = log_normal(rng, DISTANCE_RELATIVE_STANDARD_UNCERTAINTY)
    exposures = [
        ExposureTechnique(
            fact_id=f"model-{n}", tube="wall", tube_kv=60.0, tube_current_ma=7.0, exposure_ms=ms
        )
        for n, ms in enumerate((100.0, 200.0, 300.0))
    ]
    exposures += [
        ExposureTechnique(fact_id=f"device-{n}", tube=f"device-{n}", reported_kerma_mgy=kerma)
        for n, kerma in enumerate((1.0, 2.0))
    ]
    total = assess_dose(exposures, {"wall": tube()}, limits=None, model=MODEL).total
    assert total.kerma_mgy is not None
    # When what they share is drawn once for each tube,
    by_model = total.kerma_mgy - 3.0
    drawn = by_model * models / distances**2
    drawn += 1.0 * log_normal(rng, 0.25) + 2.0 * log_normal(rng, 0.25)
    # Then the stated uncertainty is that of the sum; its parts' means are above their medians,
    # so the deviation is compared and not its share of the mean.
    spread = float(np.log(drawn).std())
    assert total.kerma_relative_standard_uncertainty is not None
    ours = log_deviation(total.kerma_relative_standard_uncertainty)
    assert ours == pytest.approx(spread, rel=0.15)


def test_a_coverage_of_two_holds_nineteen_of_twenty_and_one_two_of_three() -> None:
    rng = generator()
    for relative_uncertainty in (0.05, 0.25, 0.9):
        drawn = log_normal(rng, relative_uncertainty)
        low, high = interval(1.0, relative_uncertainty, 1.0)
        assert ((low <= drawn) & (drawn <= high)).mean() == pytest.approx(0.6827, abs=0.01)
        assert share_inside(drawn, 1.0, relative_uncertainty) == pytest.approx(0.9545, abs=0.005)


def test_nothing_uncertain_is_certain() -> None:
    assert combined() == 0.0
    assert interval(2.0, 0.0) == (2.0, 2.0)
