"""The dose of a study: sums, what is told apart, verdicts, and unknown kept unknown."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.errors import InvalidInput
from schemas.limits import DoseLimits, Levels, ScopeLimits
from schemas.outputs import load_spectrum_model
from services.assessment.chosen_output import KermaBasis
from services.assessment.dose import CAUTION, StudyDose, assess_dose
from services.assessment.dose_verdict import Verdict, compare
from services.assessment.exposure_technique import (
    ExposureTechnique,
    RoundField,
    TubeGeometry,
)
from tests.unit.test_calibration import calibration

MODEL = load_spectrum_model()
TUBES = {
    "wall": TubeGeometry(
        filtration_mm_al=2.0,
        anode_angle_degrees=20.0,
        source_to_skin_mm=200.0,
        field=RoundField(diameter_mm=60.0),
    ),
    "stand": TubeGeometry(
        source_to_skin_mm=200.0,
        field=RoundField(diameter_mm=60.0),
        calibrations=(calibration(relative_standard_uncertainty=0.05),),
    ),
}
NO_LEVELS = ScopeLimits(kerma_mgy=None, kap_mgycm2=None)


def limits(
    *, exposure_mgy: tuple[float, float] | None = None, study_mgy: tuple[float, float] | None = None
) -> DoseLimits:
    def scope(pair: tuple[float, float] | None) -> ScopeLimits:
        if pair is None:
            return NO_LEVELS
        return ScopeLimits(kerma_mgy=Levels(notify=pair[0], alert=pair[1]), kap_mgycm2=None)

    return DoseLimits(
        name="test",
        basis="invented",
        note="Invented for this test.",
        per_exposure=scope(exposure_mgy),
        per_study=scope(study_mgy),
    )


def reported(fact_id: str, kerma_mgy: float | None, **changes: Any) -> ExposureTechnique:
    return ExposureTechnique(fact_id=fact_id, tube="wall", reported_kerma_mgy=kerma_mgy, **changes)


def assess(exposures: list[ExposureTechnique], dose_limits: DoseLimits | None = None) -> StudyDose:
    return assess_dose(exposures, TUBES, limits=dose_limits, model=MODEL)


@st.composite
def techniques(draw: st.DrawFn) -> list[ExposureTechnique]:
    one = st.builds(
        ExposureTechnique,
        fact_id=st.uuids().map(str),
        tube=st.sampled_from(["wall", "stand", "not-listed"]),
        tube_kv=st.none() | st.floats(40.0, 95.0),
        tube_current_ma=st.none() | st.floats(0.5, 15.0),
        exposure_ms=st.none() | st.floats(0.0, 3000.0),
        reported_kerma_mgy=st.none() | st.floats(0.0, 10.0),
        reported_kap_mgycm2=st.none() | st.floats(0.0, 300.0),
        ended_early=st.booleans(),
        repeat=st.booleans(),
    )
    return draw(st.lists(one, max_size=8, unique_by=lambda t: t.fact_id))


@given(data=st.data(), exposures=techniques())
def test_order_and_repetition_of_the_facts_do_not_matter(
    data: st.DataObject, exposures: list[ExposureTechnique]
) -> None:
    told = limits(exposure_mgy=(3.0, 6.0), study_mgy=(10.0, 20.0))
    shuffled = data.draw(st.permutations(exposures))
    twice = shuffled + shuffled[: data.draw(st.integers(0, len(shuffled)))]
    assert assess(twice, told) == assess(exposures, told)


@given(exposures=techniques())
def test_the_parts_add_up_to_the_whole(exposures: list[ExposureTechnique]) -> None:
    study = assess(exposures)
    parts = (study.completed, study.repeats, study.ended_early)
    assert sum(part.exposures for part in parts) == study.total.exposures == len(exposures)
    assert sum(part.kerma_unknown for part in parts) == study.total.kerma_unknown
    assert sum(part.kerma_mgy or 0.0 for part in parts) == pytest.approx(
        study.total.kerma_mgy or 0.0
    )
    assert sum(part.kap_mgycm2 or 0.0 for part in parts) == pytest.approx(
        study.total.kap_mgycm2 or 0.0
    )


@given(exposures=techniques())
def test_an_unknown_dose_never_counts_as_zero(exposures: list[ExposureTechnique]) -> None:
    study = assess(exposures, limits(study_mgy=(1e6, 2e6)))
    for dose in study.exposures:
        if dose.kerma is None:
            assert dose.notes
    left_out = study.total.kerma_unknown + study.total.kerma_doubtful
    if left_out or not exposures:
        assert study.verdict is Verdict.UNKNOWN
    else:
        assert study.verdict is Verdict.WITHIN
    if left_out == len(exposures):
        assert study.total.kerma_mgy is None


def test_kerma_adds_up_with_fully_correlated_uncertainty_for_one_tube() -> None:
    technique: dict[str, Any] = {"tube": "wall", "tube_kv": 60.0, "tube_current_ma": 7.0}
    exposures = [
        ExposureTechnique(fact_id=name, exposure_ms=ms, **technique)
        for name, ms in (("a", 100.0), ("b", 300.0))
    ]
    one = assess(exposures[:1]).total
    both = assess(exposures).total
    assert one.kerma_mgy is not None
    assert both.kerma_mgy == pytest.approx(4 * one.kerma_mgy)
    assert both.kerma_relative_standard_uncertainty == pytest.approx(
        one.kerma_relative_standard_uncertainty
    )
    assert both.kerma_bases == (KermaBasis.MODEL,)


def test_sums_of_independent_tubes_add_their_uncertainty_in_quadrature() -> None:
    reports = [
        ExposureTechnique(fact_id="a", tube="wall", reported_kerma_mgy=3.0),
        ExposureTechnique(fact_id="b", tube="stand", reported_kerma_mgy=4.0),
    ]
    total = assess(reports).total
    assert total.kerma_mgy == pytest.approx(7.0)
    # 0.25 · hypot(3, 4) / 7
    assert total.kerma_relative_standard_uncertainty == pytest.approx(0.25 * 5.0 / 7.0)


def test_an_exposure_that_ended_early_counts_its_delivered_time_and_is_shown_apart() -> None:
    technique: dict[str, Any] = {"tube": "wall", "tube_kv": 60.0, "tube_current_ma": 7.0}
    study = assess(
        [
            ExposureTechnique(fact_id="a", exposure_ms=50.0, ended_early=True, **technique),
            ExposureTechnique(fact_id="b", exposure_ms=200.0, repeat=True, **technique),
            ExposureTechnique(fact_id="c", exposure_ms=200.0, **technique),
        ]
    )
    assert study.ended_early.kerma_mgy is not None
    assert study.completed.kerma_mgy == pytest.approx(4 * study.ended_early.kerma_mgy)
    assert study.repeats.kerma_mgy == study.completed.kerma_mgy
    assert study.total.kerma_mgy == pytest.approx(9 * study.ended_early.kerma_mgy)


@pytest.mark.parametrize(
    ("kerma_mgy", "verdict"),
    [(2.9, Verdict.WITHIN), (3.0, Verdict.NOTIFY), (5.9, Verdict.NOTIFY), (6.0, Verdict.ALERT)],
)
def test_one_exposure_is_compared_with_its_levels(kerma_mgy: float, verdict: Verdict) -> None:
    study = assess([reported("a", kerma_mgy)], limits(exposure_mgy=(3.0, 6.0)))
    assert study.verdict is verdict
    assert "invented default limits" in study.words[0]
    assert study.words[-1] == CAUTION


def test_small_exposures_can_reach_the_study_level_together() -> None:
    study = assess(
        [reported(name, 2.0) for name in "abcde"],
        limits(exposure_mgy=(3.0, 6.0), study_mgy=(9.0, 20.0)),
    )
    assert study.verdict is Verdict.NOTIFY
    assert any(words.startswith("Study: incident air kerma 10 mGy") for words in study.words)


def test_known_exposures_reach_a_level_even_if_others_are_unknown() -> None:
    study = assess([reported("a", 30.0), reported("b", None)], limits(study_mgy=(9.0, 20.0)))
    assert study.verdict is Verdict.ALERT
    assert study.total.kerma_unknown == 1
    assert any("1 more of unknown dose" in words for words in study.words)


def test_known_exposures_below_the_level_leave_unknown_if_others_are_unknown() -> None:
    study = assess([reported("a", 1.0), reported("b", None)], limits(study_mgy=(9.0, 20.0)))
    assert study.verdict is Verdict.UNKNOWN
    assert study.total.kerma_mgy == 1.0
    assert study.words[0] == (
        "Unknown against the invented default limits: not every exposure told enough."
    )


def test_the_words_say_where_the_uncertainty_reaches_the_next_level() -> None:
    study = assess([reported("a", 2.5)], limits(study_mgy=(3.0, 60.0)))
    assert study.verdict is Verdict.WITHIN
    assert study.comparisons[0].possible_verdict is Verdict.NOTIFY
    assert any("the notify level" in words for words in study.words[1:])


def test_a_study_with_no_exposure_is_unknown() -> None:
    study = assess([], limits(study_mgy=(9.0, 20.0)))
    assert study.verdict is Verdict.UNKNOWN
    assert study.total.kerma_mgy is None
    assert "No exposure was told" in study.words[0]


@pytest.mark.parametrize("dose_limits", [None, limits()])
def test_without_a_level_no_verdict_is_given(dose_limits: DoseLimits | None) -> None:
    study = assess([reported("a", 1.0)], dose_limits)
    assert study.verdict is Verdict.UNKNOWN
    assert "no verdict" in study.words[0]
    assert study.total.kerma_mgy == 1.0


def test_a_tube_that_is_not_listed_uses_only_what_the_device_reports() -> None:
    study = assess(
        [
            ExposureTechnique(fact_id="a", tube="other", reported_kerma_mgy=1.0),
            ExposureTechnique(
                fact_id="b", tube="other", tube_kv=60.0, tube_current_ma=7.0, exposure_ms=200.0
            ),
        ]
    )
    assert study.total.kerma_mgy == 1.0
    assert study.total.kerma_unknown == 1
    assert study.total.kap_unknown == 2


def test_two_different_exposures_under_one_fact_id_are_refused() -> None:
    with pytest.raises(InvalidInput, match="fact_id"):
        assess([reported("a", 1.0), reported("a", 2.0)])


def test_the_models_error_is_shared_by_all_tubes() -> None:
    technique: dict[str, Any] = {"tube_kv": 60.0, "tube_current_ma": 7.0, "exposure_ms": 200.0}
    exposures = [
        ExposureTechnique(fact_id=tube, tube=tube, **technique) for tube in ("wall", "second")
    ]
    tubes = {"wall": TUBES["wall"], "second": TUBES["wall"]}
    both = assess_dose(exposures, tubes, limits=None, model=MODEL).total
    one = assess_dose(exposures[:1], tubes, limits=None, model=MODEL).total
    assert both.kerma_relative_standard_uncertainty == pytest.approx(
        one.kerma_relative_standard_uncertainty
    )


def test_a_figure_of_unknown_uncertainty_is_compared_with_nothing() -> None:
    found = compare("kerma_mgy", Levels(notify=3.0, alert=6.0), value=1.0, uncertainty=None)

    assert (found.verdict, found.possible_verdict) == (Verdict.UNKNOWN, Verdict.UNKNOWN)
    assert found.words == "Study: incident air kerma unknown."
