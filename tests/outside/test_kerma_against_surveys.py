"""Our kerma against published surveys of intraoral sets, and the reference levels from them.

Surveys were read as abstracts only, so what they do not tell (cone, filtration, waveform) is open.
"""

import math

import pytest

from schemas.dose_units import kap_in_mgycm2
from schemas.limits import load_published_reference_levels
from schemas.outputs import KnownWaveform, Waveform
from services.assessment.beam_geometry import (
    field_area_cm2,
    incident_air_kerma_mgy,
    kerma_area_product_mgycm2,
)
from services.assessment.exposure_technique import RoundField
from services.assessment.kerma_uncertainty import MODEL_RELATIVE_STANDARD_UNCERTAINTY, interval
from tests.kerma_model import MODEL, WAVES, model_ugy_per_mas

SURVEY_CONE_MM = 200.0  # common practice, no published source: the abstracts tell no cone length
EVERY_TUBE = [
    (filtration_mm_al, anode_angle_degrees)
    for filtration_mm_al in (1.5, 2.0, 2.5, 3.0)
    for anode_angle_degrees in (12.0, 16.0, 20.0)
]


def model_mgy_per_mas(
    tube_kv: float,
    filtration_mm_al: float,
    anode_angle_degrees: float,
    waveform: Waveform = "constant_potential",
) -> float:
    """Read the model at the end of a survey's cone."""
    output = model_ugy_per_mas(tube_kv, filtration_mm_al, anode_angle_degrees, waveform)
    return incident_air_kerma_mgy(
        output_ugy_per_mas=output,
        reference_distance_mm=MODEL.reference_distance_mm,
        tube_current_ma=1.0,
        exposure_ms=1000.0,
        source_to_skin_mm=SURVEY_CONE_MM,
    )


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
@pytest.mark.parametrize("waveform", WAVES)
def test_published_surveys_lie_within_the_models_interval(
    survey: tuple[str, float, float, float, float],
    tube: tuple[float, float],
    waveform: KnownWaveform,
) -> None:
    _, lowest, highest, low_kv, high_kv = survey
    for tube_kv in (low_kv, high_kv):
        ours = model_mgy_per_mas(tube_kv, *tube, waveform)
        low, high = interval(ours, MODEL_RELATIVE_STANDARD_UNCERTAINTY[waveform])
        assert low <= lowest <= highest <= high


@pytest.mark.parametrize("waveform", WAVES)
def test_the_models_uncertainty_is_no_wider_than_the_surveys_ask(waveform: KnownWaveform) -> None:
    # Given the survey farthest from the model, up or down, at any filtration and angle.
    ratios = [
        model_mgy_per_mas(tube_kv, *tube, waveform) / published
        for _, lowest, highest, low_kv, high_kv in SURVEYS
        for tube in EVERY_TUBE
        for tube_kv in (low_kv, high_kv)
        for published in (lowest, highest)
    ]
    farthest = max(abs(math.log(ratio)) for ratio in ratios)
    # When the log-normal uncertainty is worked out that just reaches it at k = 2,
    needed = math.sqrt(math.expm1((farthest / 2.0) ** 2))
    # Then the stated one is that, rounded up to the next tenth.
    stated = MODEL_RELATIVE_STANDARD_UNCERTAINTY[waveform]
    assert stated == pytest.approx(math.ceil(needed * 10) / 10)
    assert MODEL_RELATIVE_STANDARD_UNCERTAINTY["unknown"] >= stated


def test_the_ratios_of_model_to_survey_are_those_on_record() -> None:
    # Korea, 102 units (abstract): the project's study found 2.4 to 3.1 at 60 kV, 20 cm,
    # 2.5 to 2.0 mm Al and 20 degrees; later Korea 2.27 mGy by the model at 2.0 mm Al.
    measured = 2.11 / (7.9 * 0.5)
    assert model_mgy_per_mas(60.0, 2.5, 20.0) / measured == pytest.approx(2.4, abs=0.05)
    assert model_mgy_per_mas(60.0, 2.0, 20.0) / measured == pytest.approx(3.1, abs=0.05)
    assert model_mgy_per_mas(60.0, 2.0, 20.0) * 6 * 0.23 == pytest.approx(2.27, abs=0.01)


def test_a_rectified_wave_explains_most_of_what_the_surveys_are_below_the_model() -> None:
    # Korea, 102 units (abstract): against a rectified wave the ratio is near 1.
    measured = 2.11 / (7.9 * 0.5)
    ratios = [model_mgy_per_mas(62.6, mm, 20.0, "rectified") / measured for mm in (2.0, 2.5)]
    assert all(1.0 < ratio < 1.7 for ratio in ratios)


def test_a_survey_in_other_units_gives_its_own_kerma_over_a_six_centimetre_circle() -> None:
    # Source: abstract on panoramic dose (16 sets): average intraoral 9.3 cGy cm2 from the NRPB
    # survey of entrance surface doses, assuming 6 cm circular collimation. The survey's mean of
    # 3.3 mGy is from memory.
    kap = kap_in_mgycm2(9.3, "cGy.cm2")
    assert kap / field_area_cm2(RoundField(diameter_mm=60.0)) == pytest.approx(3.3, abs=0.05)


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
