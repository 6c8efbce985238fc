"""The tube output by the model, and the hardness of its beam."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.outputs import SpectrumModel
from services.assessment.beam_quality import hvl_warning, minimum_hvl_mm_al
from services.assessment.tube_output import OutOfRange, OutputCurve, model_output
from tests.kerma_exposures import MODEL, kilovolts


def read_model(tube_kv: float, filtration_mm_al: float, anode_angle_degrees: float) -> float:
    return model_output(
        MODEL,
        tube_kv=tube_kv,
        filtration_mm_al=filtration_mm_al,
        anode_angle_degrees=anode_angle_degrees,
    ).kerma_ugy_per_mas


@given(kv=kilovolts, lower=st.floats(1.5, 2.5), upper=st.floats(1.5, 2.5))
def test_more_filtration_gives_less_kerma_and_a_harder_beam(
    kv: float, lower: float, upper: float
) -> None:
    thin, thick = sorted((lower, upper))
    soft = model_output(MODEL, tube_kv=kv, filtration_mm_al=thin, anode_angle_degrees=18.0)
    hard = model_output(MODEL, tube_kv=kv, filtration_mm_al=thick, anode_angle_degrees=18.0)
    assert hard.kerma_ugy_per_mas <= soft.kerma_ugy_per_mas * (1 + 1e-12)
    assert hard.hvl_mm_al >= soft.hvl_mm_al * (1 - 1e-12)


@pytest.mark.parametrize(
    ("changes", "field", "lowest", "highest"),
    [
        ({"tube_kv": 49.9}, "tube_kv", 50.0, 90.0),
        ({"tube_kv": 91.0}, "tube_kv", 50.0, 90.0),
        ({"tube_kv": math.nan}, "tube_kv", 50.0, 90.0),
        ({"filtration_mm_al": 1.4}, "filtration_mm_al", 1.5, 3.0),
        ({"filtration_mm_al": 3.1}, "filtration_mm_al", 1.5, 3.0),
        ({"anode_angle_degrees": 11.0}, "anode_angle_degrees", 12.0, 20.0),
    ],
)
def test_the_model_is_never_extrapolated(
    changes: dict[str, float], field: str, lowest: float, highest: float
) -> None:
    inside = {"tube_kv": 60.0, "filtration_mm_al": 2.0, "anode_angle_degrees": 20.0}
    with pytest.raises(OutOfRange, match=f"{field}.*{lowest:g} to {highest:g}") as caught:
        read_model(**(inside | changes))
    assert (caught.value.field, caught.value.lowest, caught.value.highest) == (
        field,
        lowest,
        highest,
    )


def test_a_single_point_is_read_at_its_own_kv_and_by_the_square_within_its_margin() -> None:
    alone, wide = OutputCurve.of([(60.0, 5.0)]), OutputCurve.of([(60.0, 5.0)], 5.0)

    assert alone.read(60.0) == pytest.approx(5.0)
    assert wide.read(60.0) == pytest.approx(5.0)
    assert wide.read(64.0) == pytest.approx(5.0 * (64.0 / 60.0) ** 2)
    assert wide.read(56.0) == pytest.approx(5.0 * (56.0 / 60.0) ** 2)
    for curve, beyond in ((alone, 60.1), (wide, 65.1), (wide, 54.9)):
        with pytest.raises(OutOfRange, match="tube_kv"):
            curve.read(beyond)


def test_the_minimum_hvl_is_linear_between_its_points_and_bounded() -> None:
    assert minimum_hvl_mm_al(60.0) == 1.5
    assert minimum_hvl_mm_al(75.5) == pytest.approx(2.2)
    assert hvl_warning(60.0, 1.5) is None
    for kv, at_the_end in ((30.0, 1.5), (90.0, 2.5)):
        assert minimum_hvl_mm_al(kv) == at_the_end
    for beyond in (29.9, 90.1):
        with pytest.raises(OutOfRange, match="tube_kv"):
            hvl_warning(beyond, 3.0)


def test_an_output_table_with_a_hole_is_refused() -> None:
    content = MODEL.model_dump(mode="json")
    del content["points"][5]
    with pytest.raises(ValueError, match="every combination"):
        SpectrumModel.model_validate_json(json.dumps(content))
