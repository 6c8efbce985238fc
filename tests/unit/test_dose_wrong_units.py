"""A figure told in a wrong unit is asked about, and the slip named."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.assessment.dose_slips import KAP, KERMA, Slip
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from tests.plausible_doses import (
    TUBE,
    UNLISTED,
    asked,
    away,
    by_settings,
    off_by,
    only,
    plausible_settings,
    told,
    tubes,
)


@settings(max_examples=60)
@given(
    values=plausible_settings,
    tube=tubes,
    slip=st.sampled_from(
        [
            ("tube_kv", 1e3, "kv-implausible", "v-as-kv"),
            ("tube_current_ma", 1e3, "current-implausible", "ua-as-ma"),
            ("exposure_ms", 1e-3, "time-implausible", "s-as-ms"),
            ("exposure_ms", 1e3, "time-implausible", "us-as-ms"),
        ]
    ),
)
def test_a_setting_in_a_wrong_unit_is_asked_about_and_named(
    values: dict[str, Any], tube: TubeGeometry, slip: tuple[str, float, str, str]
) -> None:
    field, factor, code, name = slip
    technique = told(**(values | {field: values[field] * factor}))
    doubt = only(asked(technique, tube))
    assert (doubt.code, doubt.slips[0]) == (code, name)
    assert doubt.of_kerma
    assert doubt.of_kap


def in_a_wrong_unit(
    technique: ExposureTechnique, tube: TubeGeometry, far: float, slip: Slip
) -> tuple[ExposureTechnique, ExposureTechnique]:
    """The figure that the slip is of, told alone, and beside the other one told right."""
    kerma, kap = (figure * off_by(tube, far) for figure in by_settings(technique, tube))
    both = replace(technique, reported_kerma_mgy=kerma, reported_kap_mgycm2=kap)
    if slip in KERMA:
        beside = replace(both, reported_kerma_mgy=kerma * slip.factor)
        return replace(beside, reported_kap_mgycm2=None), beside
    beside = replace(both, reported_kap_mgycm2=kap * slip.factor)
    return replace(beside, reported_kerma_mgy=None), beside


@pytest.mark.parametrize("slips", [KERMA, KAP], ids=["kerma", "kap"])
@settings(max_examples=60)
@given(data=st.data(), values=plausible_settings, tube=tubes, far=away)
def test_a_figure_in_a_wrong_unit_is_asked_about_and_named(
    slips: tuple[Slip, ...],
    data: st.DataObject,
    values: dict[str, Any],
    tube: TubeGeometry,
    far: float,
) -> None:
    slip = data.draw(st.sampled_from([slip for slip in slips if not slip.rare]))
    code = "kerma-implausible" if slips is KERMA else "kap-implausible"
    alone, beside = (
        only(asked(one, tube)) for one in in_a_wrong_unit(told(**values), tube, far, slip)
    )
    assert (alone.code, alone.slips[0]) == (beside.code, beside.slips[0]) == (code, slip.name)
    # Where only one of the two is told the other rests on it.
    assert (alone.of_kerma, alone.of_kap) == (True, True)
    assert (beside.of_kerma, beside.of_kap) == (slips is KERMA, slips is KAP)


@settings(max_examples=40)
@given(values=plausible_settings, tube=tubes, far=away, slip=st.sampled_from([*KERMA, *KAP]))
def test_a_rare_slip_is_among_those_named_where_it_is_caught(
    values: dict[str, Any], tube: TubeGeometry, far: float, slip: Slip
) -> None:
    wrong, _ = in_a_wrong_unit(told(**values), tube, far, slip)
    assert slip.name in only(asked(wrong, tube)).slips


@settings(max_examples=40)
@given(values=plausible_settings, far=away, slip=st.sampled_from([1e3, 1e-3]))
def test_a_kerma_in_a_wrong_unit_is_found_also_for_a_tube_that_is_not_listed(
    values: dict[str, Any], far: float, slip: float
) -> None:
    technique = told(**values)
    kerma, _ = by_settings(technique, TUBE)
    wrong = replace(technique, reported_kerma_mgy=kerma * off_by(TUBE, far) * slip)
    assert only(asked(wrong, UNLISTED)).slips[0] in {"ugy-as-mgy", "gy-as-mgy"}
    assert asked(replace(wrong, reported_kerma_mgy=kerma), UNLISTED) == ()


@pytest.mark.parametrize(
    ("distance_mm", "slip"), [(0.0, "zero-distance"), (20.0, "cm-as-mm"), (0.2, "m-as-mm")]
)
def test_an_impossible_distance_is_asked_about_and_named(distance_mm: float, slip: str) -> None:
    doubt = only(asked(told(source_to_skin_mm=distance_mm)))
    assert (doubt.code, doubt.slips) == ("distance-implausible", (slip,))


@settings(max_examples=30)
@given(tube=tubes, share=st.floats(0.95, 2.5), slip=st.sampled_from([0.1, 1e-3]))
def test_a_distance_in_a_wrong_unit_never_passes(
    tube: TubeGeometry, share: float, slip: float
) -> None:
    assert tube.source_to_skin_mm is not None
    right = min(tube.source_to_skin_mm * share, 690.0)
    assert asked(told(source_to_skin_mm=right), tube) == ()
    wrong = only(asked(told(source_to_skin_mm=right * slip), tube))
    assert wrong.slips == (("cm-as-mm",) if slip == 0.1 else ("m-as-mm",))


def test_the_question_says_the_figure_what_it_should_be_and_the_slip() -> None:
    kerma, _ = by_settings(told(), TUBE)
    words = only(asked(told(reported_kerma_mgy=kerma * 1000.0))).words
    assert "about 1000 times" in words
    assert "that the settings give by model" in words
    assert "told in µGy?" in words
    assert "Nothing was changed" in words
