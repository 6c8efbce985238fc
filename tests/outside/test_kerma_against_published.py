"""Our kerma against an open spectrum library, published surveys and equipment codes.

Surveys were read as abstracts only, so what they do not tell (cone, filtration, waveform) is open.
"""

import math
from importlib.metadata import version

import pytest

from schemas.limits import load_published_reference_levels
from schemas.outputs import load_spectrum_model
from schemas.outputs.make_spectrum_model import compute_point
from services.assessment.beam_quality import hvl_warning
from services.assessment.exposure_technique import RoundField
from services.assessment.kerma import (
    MODEL_RELATIVE_STANDARD_UNCERTAINTY,
    field_area_cm2,
    incident_air_kerma_mgy,
    interval,
    kerma_area_product_mgycm2,
)
from services.assessment.tube_output import model_output

MODEL = load_spectrum_model()
SURVEY_CONE_MM = 200.0  # common practice, no published source: the abstracts tell no cone length
EVERY_TUBE = [
    (filtration_mm_al, anode_angle_degrees)
    for filtration_mm_al in (1.5, 2.0, 2.5)
    for anode_angle_degrees in (16.0, 20.0)
]


def model_mgy_per_mas(tube_kv: float, filtration_mm_al: float, anode_angle_degrees: float) -> float:
    output = model_output(
        MODEL,
        tube_kv=tube_kv,
        filtration_mm_al=filtration_mm_al,
        anode_angle_degrees=anode_angle_degrees,
    )
    return incident_air_kerma_mgy(
        output_ugy_per_mas=output.kerma_ugy_per_mas,
        reference_distance_mm=MODEL.reference_distance_mm,
        tube_current_ma=1.0,
        exposure_ms=1000.0,
        source_to_skin_mm=SURVEY_CONE_MM,
    )


# Source: spekpy, an open library, run here: on the grid, between its points, at its corners.
@pytest.mark.parametrize(
    ("tube_kv", "filtration_mm_al", "anode_angle_degrees"),
    [
        (50.0, 1.5, 16.0),
        (60.0, 2.0, 20.0),
        (90.0, 2.5, 20.0),
        (52.5, 1.75, 20.0),
        (57.3, 2.25, 17.0),
        (62.6, 1.5, 18.0),
        (68.0, 1.9, 16.0),
        (72.5, 2.3, 19.0),
        (87.5, 1.75, 18.0),
    ],
)
def test_the_table_agrees_with_a_fresh_computation_within_two_percent(
    tube_kv: float, filtration_mm_al: float, anode_angle_degrees: float
) -> None:
    fresh = compute_point(tube_kv, filtration_mm_al, anode_angle_degrees)
    ours = model_output(
        MODEL,
        tube_kv=tube_kv,
        filtration_mm_al=filtration_mm_al,
        anode_angle_degrees=anode_angle_degrees,
    )
    assert ours.kerma_ugy_per_mas == pytest.approx(fresh.kerma_ugy_per_mas, rel=0.02)
    assert ours.hvl_mm_al == pytest.approx(fresh.hvl_mm_al, rel=0.02)


def test_the_table_states_what_it_was_computed_with() -> None:
    # Source: the installed library; a newer one means that the table is to be computed again.
    assert MODEL.library_version == version("spekpy")
    assert (MODEL.physics, MODEL.attenuation_source, MODEL.target) == ("casim", "nist", "W")
    assert (MODEL.waveform, MODEL.air_path_mm) == ("constant_potential", 0.0)


# Source: spekpy 2.5.4 (casim, NIST attenuation, W, no air), run apart from this code by the
# project's own study: µGy per mAs at 100 cm and HVL in mm Al.
REFERENCE_TABLE = [
    (60.0, 20.0, (87.29, 65.92, 52.16), (1.435, 1.720, 1.972)),
    (65.0, 20.0, (99.47, 76.18, 61.01), (1.533, 1.839, 2.111)),
    (70.0, 20.0, (111.63, 86.55, 70.04), (1.629, 1.956, 2.247)),
    (60.0, 16.0, (84.58, 64.31, 51.13), (1.473, 1.758, 2.008)),
    (65.0, 16.0, (96.11, 74.14, 59.67), (1.579, 1.884, 2.155)),
    (70.0, 16.0, (107.58, 84.03, 68.37), (1.683, 2.009, 2.298)),
]


@pytest.mark.parametrize(("tube_kv", "angle", "kermas", "hvls"), REFERENCE_TABLE)
def test_the_table_repeats_the_reference_figures(
    tube_kv: float, angle: float, kermas: tuple[float, ...], hvls: tuple[float, ...]
) -> None:
    for filtration, kerma, hvl in zip((1.5, 2.0, 2.5), kermas, hvls, strict=True):
        ours = model_output(
            MODEL, tube_kv=tube_kv, filtration_mm_al=filtration, anode_angle_degrees=angle
        )
        assert ours.kerma_ugy_per_mas == pytest.approx(kerma, abs=0.006)
        assert ours.hvl_mm_al == pytest.approx(hvl, abs=0.0006)


# Kerma and kerma-area product published together; the 6 cm circle is inferred, so this checks
# arithmetic and not physics.
@pytest.mark.parametrize(
    ("kerma_mgy", "kap_mgycm2", "tolerance"),
    [
        # Serbia, 119 units, proposed reference levels: film, sensor, phosphor plate (abstract).
        (3.17, 89.6, 0.01),
        (3.11, 88.0, 0.01),
        (1.58, 44.6, 0.01),
        # Korea, 102 units, Imaging Sci Dent 2012;42:237-242, mean and third quartile (abstract).
        (2.11, 59.4, 0.01),
        (3.07, 87.4, 0.01),
        # Korea, J Korean Dent Assoc vol. 59 no. 10, third quartiles (abstract): they come from
        # two rankings, so they need not belong to one unit; 8 % off.
        (1.5, 46.0, 0.09),
    ],
)
def test_published_kerma_times_a_six_centimetre_circle_gives_the_published_area_product(
    kerma_mgy: float, kap_mgycm2: float, tolerance: float
) -> None:
    area_cm2 = field_area_cm2(RoundField(diameter_mm=60.0))
    assert area_cm2 == pytest.approx(28.27, abs=0.01)
    assert kerma_area_product_mgycm2(kerma_mgy, area_cm2) == pytest.approx(
        kap_mgycm2, rel=tolerance
    )


# (name, lowest and highest published mGy per mAs, lowest and highest kV)
SURVEYS = [
    # Korea, 102 units, Imaging Sci Dent 2012;42:237-242 (abstract): mean 2.11 mGy at mean
    # 62.6 kVp, 7.9 mA, 0.5 s. A ratio of means, not a mean of ratios.
    ("Korea 2012", 2.11 / (7.9 * 0.5), 2.11 / (7.9 * 0.5), 62.6, 62.6),
    # Korea, J Korean Dent Assoc vol. 59 no. 10, 118 units (abstract): third quartile 1.5 mGy;
    # median 60 kV, 6 mA, 0.23 s.
    ("Korea later", 1.5 / (6 * 0.23), 1.5 / (6 * 0.23), 60.0, 60.0),
    # Ireland, Walker and van der Putten, Phys Med (abstract): third quartile 1.03 +/- 0.38
    # mGy/mAs, modelled 0.75. It tells no kV: 60 to 70 is common practice, no published source.
    ("Ireland", 1.03 - 0.38, 1.03 + 0.38, 60.0, 70.0),
]


@pytest.mark.parametrize("survey", SURVEYS, ids=[name for name, *_ in SURVEYS])
@pytest.mark.parametrize("tube", EVERY_TUBE)
def test_published_surveys_lie_within_the_models_interval(
    survey: tuple[str, float, float, float, float], tube: tuple[float, float]
) -> None:
    _, lowest, highest, low_kv, high_kv = survey
    for tube_kv in (low_kv, high_kv):
        ours = model_mgy_per_mas(tube_kv, *tube)
        low, high = interval(ours, MODEL_RELATIVE_STANDARD_UNCERTAINTY)
        assert low <= lowest <= highest <= high


def test_the_models_uncertainty_is_no_wider_than_the_surveys_ask() -> None:
    # Given the survey farthest from the model, at any filtration and angle (Korea, 102 units).
    farthest = max(
        model_mgy_per_mas(high_kv, *tube) / lowest
        for _, lowest, _, _, high_kv in SURVEYS
        for tube in EVERY_TUBE
    )
    # When the log-normal uncertainty is worked out that just reaches it at k = 2,
    needed = math.sqrt(math.expm1((math.log(farthest) / 2.0) ** 2))
    # Then the stated one is that, rounded up to the next tenth.
    stated = MODEL_RELATIVE_STANDARD_UNCERTAINTY
    assert stated == pytest.approx(math.ceil(needed * 10) / 10)


def test_the_ratios_of_model_to_survey_are_those_on_record() -> None:
    # Korea, 102 units (abstract): the project's study found 2.4 to 3.1 at 60 kV, 20 cm,
    # 2.5 to 2.0 mm Al and 20 degrees; later Korea 2.27 mGy by the model at 2.0 mm Al.
    measured = 2.11 / (7.9 * 0.5)
    assert model_mgy_per_mas(60.0, 2.5, 20.0) / measured == pytest.approx(2.4, abs=0.05)
    assert model_mgy_per_mas(60.0, 2.0, 20.0) / measured == pytest.approx(3.1, abs=0.05)
    assert model_mgy_per_mas(60.0, 2.0, 20.0) * 6 * 0.23 == pytest.approx(2.27, abs=0.01)


# Source: minimum HVL of intraoral sets 1.5 mm Al to 70 kV (25 Pa. Code 221.25; 32 Ill. Adm. Code
# 360 table B; Ariz. R9-7-605).
@pytest.mark.parametrize("anode_angle_degrees", [16.0, 20.0])
def test_sixty_kv_with_one_and_a_half_millimetres_of_aluminium_is_flagged_as_too_soft(
    anode_angle_degrees: float,
) -> None:
    def warning(filtration_mm_al: float) -> str | None:
        output = model_output(
            MODEL,
            tube_kv=60.0,
            filtration_mm_al=filtration_mm_al,
            anode_angle_degrees=anode_angle_degrees,
        )
        return hvl_warning(60.0, output.hvl_mm_al)

    too_soft = warning(1.5)
    assert too_soft is not None
    assert "1.50 mm Al" in too_soft
    assert warning(2.0) is None


# Source: the same codes: 71 kV 2.1, 80 kV 2.3, 90 kV 2.5 mm Al.
@pytest.mark.parametrize(("tube_kv", "least"), [(70, 1.5), (71, 2.1), (80, 2.3), (90, 2.5)])
def test_the_minimum_half_value_layer_is_that_of_the_codes(tube_kv: float, least: float) -> None:
    assert hvl_warning(tube_kv, least) is None
    assert hvl_warning(tube_kv, least - 0.01) is not None


# Sources stand in the file beside each level; those marked std are from memory.
def test_the_published_levels_are_those_on_record() -> None:
    levels = {
        level.name: (level.kerma_mgy, level.kap_mgycm2, level.basis)
        for level in load_published_reference_levels().levels
    }
    assert levels == {
        "uk-2019-adult": (1.2, None, "std"),
        "uk-2019-child": (0.7, None, "std"),
        "ncrp-172-level": (1.6, None, "std"),
        "ncrp-172-achievable": (1.2, None, "std"),
        "ec-rp-136": (4.0, None, "std"),
        "tamil-nadu-2022": (1.5, None, "read"),
        "korea-2012-adult": (3.1, 87.4, "read"),
        "korea-later-adult": (1.5, 46.0, "read"),
        "korea-later-12-years": (1.2, 37.1, "read"),
        "korea-later-6-years": (1.0, 29.9, "read"),
    }
