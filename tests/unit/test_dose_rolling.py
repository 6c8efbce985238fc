"""A patient's sum over the period: which studies count, its uncertainty, its verdict."""

import random
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import DoseBasis, DoseVerdict
from schemas.limits import PeriodLimits
from services.assessment.dose_rolling import counts_for, period_dose, with_patient_period
from services.assessment.dose_rows import PatientDose
from tests.assessed import assessed
from tests.room_facts import rules

DAY = date(2026, 3, 2)
PERIOD = PeriodLimits.model_validate(
    {
        "days": 365,
        "kerma_mgy": {"notify": 10.0, "alert": 20.0},
        "kap_mgycm2": {"notify": 300.0, "alert": 600.0},
    }
)
OWN = PatientDose("2.25.1", "P-1", DAY, 4, 0, 0, 4.0, 112.0, 0.25, ("device",))


def other(number: int, days_before: int, **changes: object) -> PatientDose:
    day = DAY - timedelta(days=days_before)
    return replace(OWN, study_instance_uid=f"2.25.{number}", day=day, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("days_before", "counts"), [(0, True), (364, True), (365, False), (-1, False)]
)
def test_the_period_ends_with_the_days_of_the_study(days_before: int, counts: bool) -> None:
    assert counts_for(DAY - timedelta(days=days_before), DAY, 365) is counts


def test_sums_and_uncertainties_add_up_plainly() -> None:
    found = period_dose(OWN, [other(2, 10, relative_uncertainty=0.75)], PERIOD, "group")
    assert found.kerma_mgy == 8.0
    assert found.kap_mgycm2 == 224.0
    assert found.relative_uncertainty == pytest.approx((4 * 0.25 + 4 * 0.75) / 8)
    assert found.basis == (DoseBasis.DEVICE,)
    assert found.verdict is DoseVerdict.WITHIN
    assert "With its uncertainty (k = 2) it may reach the alert level." in found.words


def test_other_patients_later_studies_and_the_study_itself_are_left_out() -> None:
    others = [
        OWN,
        other(2, -3),
        other(3, 400),
        other(4, 10, patient_id="P-2"),
        other(5, 10, exposures=0),
    ]
    found = period_dose(OWN, others, PERIOD, "group")
    assert (found.studies, found.kerma_mgy, found.other_studies) == (1, 4.0, ())


def test_the_words_say_of_how_many_studies_and_against_which_levels_it_is() -> None:
    low = replace(OWN, kerma_mgy=0.5, kap_mgycm2=14.0)

    alone = period_dose(low, [], PERIOD, "group")
    two = period_dose(low, [other(2, 10, kerma_mgy=0.25)], PERIOD, "invented")

    assert alone.words == (
        "This patient, 1 study here in 365 days: below the notify level (the group's levels): "
        "0.5 of 10 mGy; 14 of 300 mGy·cm²."
    )
    assert two.words.startswith("This patient, 2 studies here in 365 days: below the notify level")
    assert alone.relative_uncertainty == pytest.approx(0.25)
    assert period_dose(replace(low, kerma_mgy=0.0), [], PERIOD, "g").relative_uncertainty is None


@pytest.mark.parametrize(
    ("others", "verdict"),
    [(1, DoseVerdict.WITHIN), (2, DoseVerdict.NOTIFY), (4, DoseVerdict.ALERT)],
)
def test_a_level_is_reached_by_the_sum(others: int, verdict: DoseVerdict) -> None:
    found = period_dose(OWN, [other(i + 2, i) for i in range(others)], PERIOD, "group")
    assert found.verdict is verdict


def test_a_sum_that_is_not_fully_known_is_never_called_within() -> None:
    found = period_dose(OWN, [other(2, 10, unknown_exposures=1)], PERIOD, "invented")
    assert found.verdict is DoseVerdict.UNKNOWN
    assert found.unknown_exposures == 1
    assert "invented default levels" in found.words
    no_area = period_dose(replace(OWN, unknown_kap_exposures=4), [], PERIOD, "group")
    assert no_area.verdict is DoseVerdict.UNKNOWN
    assert no_area.comparisons[1].value is None


def test_no_more_than_fifty_studies_are_named_and_all_are_counted() -> None:
    found = period_dose(OWN, [other(i + 2, i) for i in range(70)], PERIOD, "group")
    assert found.studies == 71
    assert len(found.other_studies) == 50
    assert found.other_studies[0] == "2.25.2"  # the newest first


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 400), st.floats(0.0, 20.0)), max_size=12), st.integers())
def test_order_and_repetition_of_the_others_change_nothing(
    told: list[tuple[int, float]], seed: int
) -> None:
    others = [other(i + 2, before, kerma_mgy=kerma) for i, (before, kerma) in enumerate(told)]
    shuffled = [*others, *others[:3]]
    random.Random(seed).shuffle(shuffled)
    assert period_dose(OWN, shuffled, PERIOD, "group") == period_dose(OWN, others, PERIOD, "group")


def test_a_study_completed_twice_is_the_same() -> None:
    limits = rules().limits
    once = with_patient_period(assessed(), [other(2, 10, patient_id="P-1001")], limits)
    assert once.dose.patient_period is not None
    assert once.dose.patient_period.studies == 2
    again = with_patient_period(once, [other(2, 10, patient_id="P-1001")], limits)
    assert again == once
