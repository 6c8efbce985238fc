"""Kerma of one exposure: formulas, preference of sources, refusals."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.errors import InvalidInput
from schemas.outputs import SpectrumModel, Waveform
from services.assessment.beam_geometry import (
    field_area_cm2,
    incident_air_kerma_mgy,
    kerma_area_product_mgycm2,
    skin_distance_mm,
)
from services.assessment.chosen_output import KermaBasis
from services.assessment.exposure_technique import (
    ExposureTechnique,
    RectangularField,
    RoundField,
    TubeGeometry,
)
from services.assessment.kerma import ExposureKerma, estimate
from tests.kerma_exposures import CALIBRATION, MODEL, TUBE, distances, exposure, kilovolts

milliamps = st.floats(0.5, 15.0)
milliseconds = st.floats(1.0, 3000.0)


def kerma_mgy(technique: ExposureTechnique, tube: TubeGeometry = TUBE) -> float:
    found = estimate(technique, tube, MODEL).kerma
    assert found is not None
    return found.kerma_mgy


@given(kv=kilovolts, ma=milliamps, ms=milliseconds, skin_mm=distances, k=st.floats(1.01, 3.0))
def test_kerma_falls_with_the_square_of_the_distance(
    kv: float, ma: float, ms: float, skin_mm: float, k: float
) -> None:
    technique = {"tube_kv": kv, "tube_current_ma": ma, "exposure_ms": ms}
    near = kerma_mgy(exposure(**technique, source_to_skin_mm=skin_mm))
    far = kerma_mgy(exposure(**technique, source_to_skin_mm=skin_mm * k))
    assert near / far == pytest.approx(k**2)


@given(kv=kilovolts, step=st.floats(0.1, 20.0), ma=milliamps, ms=milliseconds)
def test_kerma_grows_with_kv(kv: float, step: float, ma: float, ms: float) -> None:
    higher = min(kv + step, 90.0)
    technique = {"tube_current_ma": ma, "exposure_ms": ms}
    assert kerma_mgy(exposure(tube_kv=higher, **technique)) >= kerma_mgy(
        exposure(tube_kv=kv, **technique)
    )


@given(ma=milliamps, ms=milliseconds, k=st.floats(1.0, 5.0))
def test_kerma_is_proportional_to_current_and_to_time(ma: float, ms: float, k: float) -> None:
    base = kerma_mgy(exposure(tube_current_ma=ma, exposure_ms=ms))
    assert kerma_mgy(exposure(tube_current_ma=ma * k, exposure_ms=ms)) == pytest.approx(base * k)
    assert kerma_mgy(exposure(tube_current_ma=ma, exposure_ms=ms * k)) == pytest.approx(base * k)


@given(skin_mm=distances, diameter_mm=st.floats(20.0, 70.0))
def test_the_kerma_area_product_is_the_same_at_any_distance(
    skin_mm: float, diameter_mm: float
) -> None:
    tube = TubeGeometry(
        filtration_mm_al=2.0,
        anode_angle_degrees=20.0,
        field=RoundField(diameter_mm=diameter_mm, at_distance_mm=200.0),
    )
    near = estimate(exposure(source_to_skin_mm=200.0), tube, MODEL).kap
    far = estimate(exposure(source_to_skin_mm=skin_mm), tube, MODEL).kap
    assert near is not None
    assert far is not None
    assert far.kap_mgycm2 == pytest.approx(near.kap_mgycm2)


def test_kerma_is_worked_out_as_by_hand() -> None:
    # 65.92 µGy/mAs at 100 cm, 7 mA for 200 ms is 1.4 mAs, and 20 cm is 25 times nearer squared.
    kerma = incident_air_kerma_mgy(
        output_ugy_per_mas=65.92,
        reference_distance_mm=1000.0,
        tube_current_ma=7.0,
        exposure_ms=200.0,
        source_to_skin_mm=200.0,
    )
    assert kerma == pytest.approx(0.06592 * 1.4 * 25)
    assert kerma_mgy(exposure()) == pytest.approx(kerma, rel=1e-3)


def test_field_areas_are_worked_out_as_by_hand() -> None:
    assert field_area_cm2(RoundField(diameter_mm=60.0)) == pytest.approx(9 * math.pi)
    assert field_area_cm2(RectangularField(width_mm=30.0, height_mm=40.0)) == pytest.approx(12.0)
    at_cone = RectangularField(width_mm=30.0, height_mm=40.0, at_distance_mm=200.0)
    assert field_area_cm2(at_cone, 400.0) == pytest.approx(48.0)
    assert kerma_area_product_mgycm2(2.0, 12.0) == pytest.approx(24.0)


def test_the_device_outranks_the_calibration_and_that_outranks_the_model() -> None:
    calibrated = TubeGeometry(
        filtration_mm_al=2.0,
        anode_angle_degrees=20.0,
        source_to_skin_mm=200.0,
        calibrations=(CALIBRATION,),
    )
    reported = estimate(exposure(reported_kerma_mgy=1.1), calibrated, MODEL).kerma
    by_calibration = estimate(exposure(), calibrated, MODEL).kerma
    by_model = estimate(exposure(), TUBE, MODEL).kerma
    assert reported is not None
    assert by_calibration is not None
    assert by_model is not None
    assert (reported.kerma_mgy, reported.basis) == (1.1, KermaBasis.DEVICE)
    assert by_calibration.kerma_mgy == pytest.approx(0.030 * 1.4 * 25)
    assert by_calibration.basis is KermaBasis.CALIBRATION
    assert by_model.basis is KermaBasis.MODEL
    assert by_calibration.relative_standard_uncertainty < by_model.relative_standard_uncertainty


def test_a_calibration_that_does_not_reach_the_kv_gives_way_to_the_model_and_says_so() -> None:
    tube = TubeGeometry(
        filtration_mm_al=2.0,
        anode_angle_degrees=20.0,
        source_to_skin_mm=200.0,
        calibrations=(CALIBRATION,),
    )
    found = estimate(exposure(tube_kv=80.0), tube, MODEL)
    assert found.kerma is not None
    assert found.kerma.basis is KermaBasis.MODEL
    assert "58 to 72" in found.notes[0]


def test_a_reported_kerma_area_product_gives_kerma_through_the_field() -> None:
    found = estimate(ExposureTechnique(fact_id="a", reported_kap_mgycm2=56.0), TUBE, MODEL)
    assert found.kap is not None
    assert found.kerma is not None
    assert found.kap.kap_mgycm2 == 56.0
    assert found.kerma.kerma_mgy == pytest.approx(56.0 / (9 * math.pi))
    assert found.kerma.basis is KermaBasis.DEVICE


def test_a_bare_zero_from_a_device_is_not_taken_for_no_dose() -> None:
    found = estimate(exposure(reported_kerma_mgy=0.0), TUBE, MODEL)
    assert found.kerma is not None
    assert found.kerma.basis is KermaBasis.MODEL
    assert found.kerma.kerma_mgy > 0
    assert "taken as not told" in found.notes[0]


@pytest.mark.parametrize(
    "missing", ["tube_kv", "tube_current_ma", "exposure_ms", "source_to_skin_mm"]
)
def test_an_untold_technique_gives_unknown_and_names_what_is_missing(missing: str) -> None:
    tube = TubeGeometry(filtration_mm_al=2.0, anode_angle_degrees=20.0)
    told = {"source_to_skin_mm": 200.0} | {missing: None}
    found = estimate(exposure(**told), tube, MODEL)
    assert found.kerma is None
    assert found.kap is None
    assert missing in found.notes[0]


@pytest.mark.parametrize(
    ("tube", "model", "named"),
    [
        (TubeGeometry(source_to_skin_mm=200.0), MODEL, "filtration_mm_al, anode_angle_degrees"),
        (TUBE, None, "no output model"),
        (
            TubeGeometry(filtration_mm_al=4.0, anode_angle_degrees=20.0, source_to_skin_mm=200.0),
            MODEL,
            "filtration_mm_al: expected a value from 1.5 to 3",
        ),
    ],
)
def test_a_tube_that_the_model_does_not_cover_gives_unknown(
    tube: TubeGeometry, model: SpectrumModel | None, named: str
) -> None:
    found = estimate(exposure(), tube, model)
    assert found.kerma is None
    assert named in found.notes[-1]


def test_a_wave_that_is_not_known_reads_as_constant_potential_and_says_so() -> None:
    def read(waveform: Waveform) -> ExposureKerma:
        return estimate(exposure(), replace(TUBE, waveform=waveform), MODEL)

    unknown, steady, rectified = read("unknown"), read("constant_potential"), read("rectified")
    assert unknown.kerma is not None
    assert steady.kerma is not None
    assert rectified.kerma is not None
    assert any("waveform is not known" in note for note in unknown.notes)
    assert steady.notes == rectified.notes == ()
    assert unknown.kerma.kerma_mgy == steady.kerma.kerma_mgy
    assert unknown.kerma.waveform == steady.kerma.waveform == "constant_potential"
    assert rectified.kerma.waveform == "rectified"
    assert 0.4 < rectified.kerma.kerma_mgy / steady.kerma.kerma_mgy < 0.6


def test_a_told_distance_of_nought_serves_for_nothing() -> None:
    found = estimate(exposure(source_to_skin_mm=0.0), TUBE, MODEL)
    assert (found.kerma, found.kap, found.at_reference) == (None, None, None)
    assert "source_to_skin_mm" in found.notes[-1]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("tube_kv", -60.0),
        ("tube_kv", 0.0),
        ("tube_current_ma", math.inf),
        ("exposure_ms", -1.0),
        ("source_to_skin_mm", -1.0),
        ("reported_kerma_mgy", -0.1),
        ("reported_kap_mgycm2", math.nan),
    ],
)
def test_an_impossible_value_is_refused_by_its_field_name(field: str, value: float) -> None:
    with pytest.raises(InvalidInput, match=field):
        exposure(**{field: value})


@pytest.mark.parametrize(("distance_mm", "serves"), [
    (0.0009, False), (0.001, True), (1_000_000.0, True), (1_000_000.5, False),
])  # fmt: skip
def test_a_distance_serves_from_a_micrometre_to_a_kilometre(
    distance_mm: float, serves: bool
) -> None:
    told = ExposureTechnique(fact_id="one", source_to_skin_mm=distance_mm)

    assert skin_distance_mm(told, TUBE) == (distance_mm if serves else None)


@given(skin_mm=distances, kv=st.floats(60.0, 70.0))
def test_kerma_at_the_reference_distance_is_the_same_from_wherever_the_skin_is(
    skin_mm: float, kv: float
) -> None:
    tube = replace(TUBE, reference_distance_mm=180.0)
    at_cone = estimate(exposure(tube_kv=kv), tube, MODEL).at_reference
    away = estimate(exposure(tube_kv=kv, source_to_skin_mm=skin_mm), tube, MODEL).at_reference
    assert at_cone is not None
    assert away is not None
    assert away.distance_mm == at_cone.distance_mm == 180.0
    assert away.kerma_mgy == pytest.approx(at_cone.kerma_mgy)


def test_a_reported_kerma_is_brought_to_the_reference_distance_by_inverse_square() -> None:
    told = exposure(reported_kerma_mgy=1.0, source_to_skin_mm=400.0)
    away = estimate(told, TUBE, MODEL).at_reference
    there = estimate(exposure(reported_kerma_mgy=1.0), TUBE, MODEL).at_reference
    assert away is not None
    assert there is not None
    assert away.kerma_mgy == pytest.approx(4.0)
    assert away.distance_mm == 200.0
    assert away.relative_standard_uncertainty > there.relative_standard_uncertainty == 0.25
