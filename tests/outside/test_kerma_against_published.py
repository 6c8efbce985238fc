"""Our kerma against an open spectrum library, published surveys and equipment codes.

Surveys were read as abstracts only, so what they do not tell (cone, filtration, waveform) is open.
"""

import math
from importlib.metadata import version

import pytest
import spekpy

from schemas.dose_units import kap_in_mgycm2
from schemas.limits import load_published_reference_levels
from schemas.outputs import KnownWaveform, Waveform, load_spectrum_model
from schemas.outputs.make_spectrum_model import RECTIFIED_WAVE, compute_point, wave_weights
from services.assessment.beam_geometry import (
    field_area_cm2,
    incident_air_kerma_mgy,
    kerma_area_product_mgycm2,
)
from services.assessment.beam_quality import hvl_warning
from services.assessment.exposure_technique import RoundField
from services.assessment.kerma_uncertainty import MODEL_RELATIVE_STANDARD_UNCERTAINTY, interval
from services.assessment.tube_output import model_output

MODEL = load_spectrum_model()
SURVEY_CONE_MM = 200.0  # common practice, no published source: the abstracts tell no cone length
EVERY_TUBE = [
    (filtration_mm_al, anode_angle_degrees)
    for filtration_mm_al in (1.5, 2.0, 2.5, 3.0)
    for anode_angle_degrees in (12.0, 16.0, 20.0)
]
WAVES: tuple[KnownWaveform, ...] = ("constant_potential", "rectified")


def model_ugy_per_mas(
    tube_kv: float,
    filtration_mm_al: float,
    anode_angle_degrees: float = 20.0,
    waveform: Waveform = "constant_potential",
) -> float:
    """Read the model at 1 m."""
    return model_output(
        MODEL,
        tube_kv=tube_kv,
        filtration_mm_al=filtration_mm_al,
        anode_angle_degrees=anode_angle_degrees,
        waveform=waveform,
    ).kerma_ugy_per_mas


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


# Source: spekpy, an open library, run here: on the grid, between its points, at its corners.
@pytest.mark.drill
@pytest.mark.parametrize(
    ("tube_kv", "filtration_mm_al", "anode_angle_degrees"),
    [
        (50.0, 1.5, 12.0),
        (60.0, 2.0, 20.0),
        (90.0, 3.0, 20.0),
        (52.5, 1.75, 20.0),
        (57.3, 2.25, 17.0),
        (62.6, 1.5, 18.0),
        (68.0, 1.9, 14.0),
        (72.5, 2.8, 19.0),
        (87.5, 1.75, 13.0),
    ],
)
def test_the_table_agrees_with_a_fresh_computation_within_two_percent(
    tube_kv: float, filtration_mm_al: float, anode_angle_degrees: float
) -> None:
    fresh = compute_point("constant_potential", tube_kv, filtration_mm_al, anode_angle_degrees)
    ours = model_output(
        MODEL,
        tube_kv=tube_kv,
        filtration_mm_al=filtration_mm_al,
        anode_angle_degrees=anode_angle_degrees,
    )
    assert ours.kerma_ugy_per_mas == pytest.approx(fresh.kerma_ugy_per_mas, rel=0.02)
    assert ours.hvl_mm_al == pytest.approx(fresh.hvl_mm_al, rel=0.02)


# Source: spekpy, run here in another way than the script that made the table: the kerma of each
# moment of the half-wave, filtered, and their mean; the layer that halves it is looked for apart.
@pytest.mark.parametrize(
    ("tube_kv", "filtration_mm_al", "anode_angle_degrees"), [(60.0, 2.0, 20.0), (67.3, 2.7, 15.0)]
)
def test_the_rectified_table_agrees_with_the_mean_over_the_moments_of_the_wave(
    tube_kv: float, filtration_mm_al: float, anode_angle_degrees: float
) -> None:
    ours = model_output(
        MODEL,
        tube_kv=tube_kv,
        filtration_mm_al=filtration_mm_al,
        anode_angle_degrees=anode_angle_degrees,
        waveform="rectified",
    )
    moments = 16  # of a quarter of the period: the other quarter is its mirror image
    kerma, behind_hvl = 0.0, 0.0
    for moment in range(moments):
        potential = tube_kv * math.sin((moment + 0.5) / moments * math.pi / 2.0)
        if potential < 15.0:
            continue  # less than a thousandth of the whole
        spectrum = spekpy.Spek(
            kvp=potential, th=anode_angle_degrees, physics="casim", mu_data_source="nist", z=100
        )
        spectrum.filter("Al", filtration_mm_al)
        kerma += spectrum.get_kerma() / moments
        spectrum.filter("Al", ours.hvl_mm_al)
        behind_hvl += spectrum.get_kerma() / moments
    assert ours.kerma_ugy_per_mas == pytest.approx(kerma, rel=0.02)
    assert behind_hvl / kerma == pytest.approx(0.5, rel=0.02)


def test_every_share_of_the_wave_is_counted_once() -> None:
    # Source: time below v in a half-wave is 2/pi * arcsin(v/peak).
    weights = wave_weights(70.0)
    below_least = 2.0 / math.pi * math.asin(15.0 / 70.0)
    assert math.fsum(weights.values()) == pytest.approx(1.0 - below_least, abs=1e-4)
    assert max(weights) == 70.0


def test_the_table_states_what_it_was_computed_with() -> None:
    # Source: the installed library; a newer one means that the table is to be computed again.
    assert MODEL.library_version == version("spekpy")
    assert (MODEL.physics, MODEL.attenuation_source, MODEL.target) == ("casim", "nist", "W")
    assert (MODEL.rectified_wave, MODEL.air_path_mm) == (RECTIFIED_WAVE, 0.0)


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


# Source: University of Groningen, radiation protection course data, read: typical mSv per mAs at
# 1 m by kV and mm Al (for these beams close to mGy of air kerma; told to one or two digits).
# Its 1 mm column lies outside our table.
@pytest.mark.parametrize(
    ("tube_kv", "filtration_mm_al", "told"),
    [
        (50.0, 2.0, 0.05),
        (70.0, 2.0, 0.09),
        (90.0, 2.0, 0.13),
        (50.0, 3.0, 0.03),
        (70.0, 3.0, 0.05),
        (90.0, 3.0, 0.08),
    ],
)
def test_the_model_gives_the_typical_output_of_a_published_table(
    tube_kv: float, filtration_mm_al: float, told: float
) -> None:
    ours = model_ugy_per_mas(tube_kv, filtration_mm_al) / 1000.0
    # Half of the last digit, and 15 % for what it does not tell: the angle alone makes 10 %.
    assert ours == pytest.approx(told, abs=0.005 + 0.15 * told)


def archer_mgy_per_ma_min(kvp: float) -> float:
    """Archer et al. 1994, W anode with Al filter, at 1 m; read as quoted in the RadSafe list,
    www.health.phys.iit.edu, 1997 (extended_archive/9708/msg00554)."""
    return 1.222 - 0.05664 * kvp + 0.001227 * kvp**2 - 3.13e-6 * kvp**3


def test_published_output_of_radiographic_tubes_lies_within_the_models_interval() -> None:
    for kv in (60.0, 70.0, 80.0):
        published = [
            archer_mgy_per_ma_min(kv) * 1000.0 / 60.0,
            # Mean of about 40 radiographic units at 40 inches, a medical physicist's published
            # fit, read: imablog.net, July 2015.
            0.008373 * kv**1.983 * 1.016**2,
        ]
        for waveform in WAVES:
            low, high = interval(
                model_ugy_per_mas(kv, 2.5, 16.0, waveform),
                MODEL_RELATIVE_STANDARD_UNCERTAINTY[waveform],
            )
            assert all(low < one < high for one in published)


def test_the_worked_example_of_a_textbook_comes_out() -> None:
    # Source: Turner, Atoms, Radiation, and Radiation Protection, chapter 15, equations 15.13 and
    # 15.14, read in an excerpt: 0.02 mGy a week are wanted at 4.57 m with 220 mA for 1.5 min a
    # week, use 1/3, occupancy 1/5: that is 2.16e-3 R per mA min at 1 m, with 0.114 R per mGy.
    output_ugy_per_mas = 2.16e-3 / 0.114 * 1000.0 / 60.0
    kerma = incident_air_kerma_mgy(
        output_ugy_per_mas=output_ugy_per_mas,
        reference_distance_mm=1000.0,
        tube_current_ma=220.0,
        exposure_ms=1.5 * 60_000.0,
        source_to_skin_mm=4570.0,
    )
    assert kerma / 3.0 / 5.0 == pytest.approx(0.02, rel=0.005)


def test_more_filtration_takes_what_a_published_rule_says() -> None:
    # Source: AAPM Report 31, section I-7-C, read in an excerpt: above 2.5 mm Al, at 80 kVp, output
    # falls by 15 % (single phase) or 10 % (three phase) for every half millimetre more.
    def loss(waveform: KnownWaveform) -> float:
        return 1.0 - model_ugy_per_mas(80.0, 3.0, 16.0, waveform) / model_ugy_per_mas(
            80.0, 2.5, 16.0, waveform
        )

    assert loss("rectified") > loss("constant_potential")
    assert loss("rectified") == pytest.approx(0.15, abs=0.04)
    assert loss("constant_potential") == pytest.approx(0.10, abs=0.06)


def test_a_survey_in_other_units_gives_its_own_kerma_over_a_six_centimetre_circle() -> None:
    # Source: abstract on panoramic dose (16 sets): average intraoral 9.3 cGy cm2 from the NRPB
    # survey of entrance surface doses, assuming 6 cm circular collimation. The survey's mean of
    # 3.3 mGy is from memory.
    kap = kap_in_mgycm2(9.3, "cGy.cm2")
    assert kap / field_area_cm2(RoundField(diameter_mm=60.0)) == pytest.approx(3.3, abs=0.05)


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


# Source: 25 Pa. Code 221.25 table II and 32 Ill. Adm. Code 360 table B, columns 'specified dental
# systems', read whole; both say that values between are interpolated. 21 CFR 1020.30(m), from
# which they are taken, is cited from memory.
@pytest.mark.parametrize(
    ("tube_kv", "least"),
    [
        (30, 1.5),
        (40, 1.5),
        (49, 1.5),
        (50, 1.5),
        (51, 1.5),
        (60, 1.5),
        (70, 1.5),
        (71, 2.1),
        (80, 2.3),
        (90, 2.5),
    ],
)
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
