"""A doubtful figure is in no sum, and no study with one is within its limits."""

import pytest

from schemas.limits import Levels, ScopeLimits
from services.assessment.chosen_output import KermaBasis
from services.assessment.dose import assess_dose
from services.assessment.dose_verdict import Verdict
from services.assessment.exposure_technique import ExposureTechnique
from tests.plausible_doses import MODEL, TUBE, by_settings, told
from tests.unit.test_dose import limits


def test_a_doubtful_figure_is_counted_marked_and_in_no_sum() -> None:
    kerma, _ = by_settings(told(), TUBE)
    right = told("right", tube="wall", reported_kerma_mgy=kerma)
    wrong = told("wrong", tube="wall", reported_kerma_mgy=kerma * 1000.0)
    study = assess_dose([right, wrong], {"wall": TUBE}, limits=None, model=MODEL)
    total = study.total
    assert total.kerma_mgy == pytest.approx(kerma)
    assert (total.kerma_doubtful, total.kerma_unknown) == (1, 0)
    assert total.kerma_with_doubtful_mgy == pytest.approx(1001.0 * kerma)
    assert (total.kap_doubtful, total.kap_unknown) == (1, 0)
    marked = {dose.fact_id: (dose.kerma_doubtful, dose.kap_doubtful) for dose in study.exposures}
    assert marked == {"right": (False, False), "wrong": (True, True)}
    assert study.exposures[1].kerma is not None
    assert study.exposures[1].kerma.kerma_mgy == kerma * 1000.0  # as told, not corrected
    assert study.exposures[1].kerma.basis is KermaBasis.DEVICE


def test_a_study_with_a_doubtful_figure_is_never_within_and_its_possible_verdict_is_as_told() -> (
    None
):
    kerma, _ = by_settings(told(), TUBE)
    exposures = [
        told("right", tube="wall", reported_kerma_mgy=kerma),
        told("wrong", tube="wall", reported_kerma_mgy=kerma * 1000.0),
    ]
    levels = limits(exposure_mgy=(10.0, 20.0), study_mgy=(40.0, 80.0))
    study = assess_dose(exposures, {"wall": TUBE}, limits=levels, model=MODEL)
    assert study.verdict is Verdict.UNKNOWN
    assert study.words[0].endswith("limits: a figure is doubtful.")
    whole = next(c for c in study.comparisons if c.fact_id is None)
    assert (whole.verdict, whole.possible_verdict) == (Verdict.UNKNOWN, Verdict.ALERT)
    assert "1 of doubtful dose left out; as told it would be" in whole.words
    single = next(c for c in study.comparisons if c.fact_id == "wrong")
    assert (single.value, single.possible_verdict) == (None, Verdict.ALERT)


def test_a_doubtful_area_product_is_left_out_as_a_doubtful_kerma_is() -> None:
    # given: levels of both quantities, a thousandth of what "wrong" told
    kerma, kap = by_settings(told(), TUBE)
    levels = ScopeLimits(kerma_mgy=None, kap_mgycm2=Levels(notify=100 * kap, alert=200 * kap))
    both = limits().model_copy(update={"per_exposure": levels, "per_study": levels})
    exposures = [
        told("right", tube="wall", reported_kap_mgycm2=kap),
        told("wrong", tube="wall", reported_kerma_mgy=kerma, reported_kap_mgycm2=1000.0 * kap),
        ExposureTechnique("nothing", tube="wall"),
    ]

    study = assess_dose(exposures, {"wall": TUBE}, limits=both, model=MODEL)

    assert study.words[0].endswith(
        "limits: not every exposure told enough and a figure is doubtful."
    )
    found = {c.fact_id: (c.quantity, c.value, c.verdict) for c in study.comparisons}
    assert found == {
        "right": ("kap_mgycm2", kap, Verdict.WITHIN),
        "wrong": ("kap_mgycm2", None, Verdict.UNKNOWN),
        "nothing": ("kap_mgycm2", None, Verdict.UNKNOWN),
        None: ("kap_mgycm2", kap, Verdict.UNKNOWN),
    }
    assert {c.fact_id for c in study.comparisons if c.upper_value is None} == {"wrong", "nothing"}


def test_figures_beyond_doubt_reach_a_level_whatever_is_doubtful() -> None:
    kerma, _ = by_settings(told(), TUBE)
    exposures = [
        *(told(f"right-{n}", tube="wall", reported_kerma_mgy=kerma) for n in range(60)),
        told("wrong", tube="wall", reported_kerma_mgy=kerma / 1000.0),
    ]
    levels = limits(study_mgy=(10.0, 20.0))
    study = assess_dose(exposures, {"wall": TUBE}, limits=levels, model=MODEL)
    assert study.verdict is Verdict.ALERT
