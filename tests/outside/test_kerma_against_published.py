"""Our kerma and half-value layers against published tables, textbooks and equipment codes."""

import pytest

from schemas.outputs import KnownWaveform
from services.assessment.beam_geometry import incident_air_kerma_mgy
from services.assessment.beam_quality import hvl_warning
from services.assessment.kerma_uncertainty import MODEL_RELATIVE_STANDARD_UNCERTAINTY, interval
from services.assessment.tube_output import model_output
from tests.kerma_model import MODEL, WAVES, model_ugy_per_mas


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
