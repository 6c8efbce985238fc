"""Doses of a period: sums by groups, medians with intervals, what stands in no sum."""

from datetime import date
from math import comb
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import DoseBasis, ExposureUse
from services.assessment.chosen_output import KermaBasis
from services.assessment.dose import ExposureDose, sum_doses
from services.assessment.dose_columns import DoseColumns, columns_of
from services.assessment.dose_overview import by_site_and_month, overview, trend_points
from services.assessment.dose_periods import By, doses_of, median_ranks
from services.assessment.kerma import AirKerma
from tests.dose_rows import DAY, days, row


def columns(*rows: dict[str, Any]) -> DoseColumns:
    return columns_of(rows, {})


def test_without_an_exposure_there_is_nothing_to_say() -> None:
    assert doses_of(columns(row(1, []))) == ()
    assert list(by_site_and_month(columns(), By.VIEW)) == []
    assert overview(columns(), By.VIEW).typical == {}


def test_repeats_and_early_terminations_stand_apart_and_make_the_sum_together() -> None:
    told: list[dict[str, Any]] = [
        {},
        {"repeat": True},
        {"use": ExposureUse.ENDED_EARLY, "sop_instance_uid": None},
        {"use": ExposureUse.ENDED_EARLY, "sop_instance_uid": None, "repeat": True},
    ]
    (found,) = doses_of(columns(row(1, [1.0, 2.0, 0.25, 0.5], changes=told)))
    assert (found.completed.exposures, found.completed.kerma_mgy) == (1, 1.0)
    assert (found.repeats.exposures, found.repeats.kerma_mgy) == (1, 2.0)
    assert (found.ended_early.exposures, found.ended_early.kerma_mgy) == (2, 0.75)
    assert found.total.kerma_mgy == pytest.approx(3.75)
    assert found.total.kap_mgycm2 == pytest.approx(28.0 * 3.75)


def test_what_waits_is_unknown_or_in_doubt_stands_in_no_sum_and_is_counted() -> None:
    doubtful = {"kerma_doubtful": True, "kap_doubtful": True}
    told: list[dict[str, Any]] = [{}, {"use": ExposureUse.PROPOSED}, {}, doubtful]
    (found,) = doses_of(columns(row(1, [1.0, 5.0, None, 900.0], changes=told)))
    assert found.total.exposures == 3
    assert found.total.kerma_mgy == 1.0
    assert (found.waiting, found.unknown_kerma, found.unknown_kap) == (1, 2, 2)
    # A study of which an exposure is unknown has no sum of its own.
    assert found.kerma_of_a_study_mgy is None


def test_groups_are_by_name_and_each_exposure_is_in_one() -> None:
    other = {"operator": "tech-2", "generator": "generator-2"}
    found = columns(
        row(1, [1.0, 2.0]),
        row(2, [4.0, 8.0], site="south", day=date(2026, 4, 1), changes=[other, {"operator": None}]),
    )
    sums = {
        by: {one.group: one.total.kerma_mgy for one in doses_of(found, by)[1:]}
        for by in (By.SITE, By.OPERATOR, By.DEVICE, By.MONTH, By.PATIENT, By.SIZE, By.VIEW)
    }
    assert sums[By.SITE] == {"north": 3.0, "south": 12.0}
    assert sums[By.OPERATOR] == {"not told": 8.0, "tech-1": 3.0, "tech-2": 4.0}
    assert sums[By.DEVICE] == {"generator-1": 11.0, "generator-2": 4.0}
    assert sums[By.MONTH] == {"2026-03": 3.0, "2026-04": 12.0}
    assert sums[By.PATIENT] == {"north P-1": 3.0, "south P-2": 12.0}
    assert sums[By.SIZE] == {"small dog": 15.0}
    assert sums[By.VIEW] == {"view-1": 5.0, "view-2": 10.0}
    for groups in sums.values():
        assert sum(groups.values()) == pytest.approx(15.0)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0.01, 5.0),
            st.floats(0.0, 1.0),
            st.sampled_from(["generator-1", "generator-2"]),
            st.sampled_from([DoseBasis.DEVICE, DoseBasis.CALIBRATION, DoseBasis.MODEL]),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_a_sum_has_the_uncertainty_that_the_sum_of_one_study_has(
    told: list[tuple[float, float, str, DoseBasis]],
) -> None:
    changes = [
        {"relative_uncertainty": u, "generator": tube, "dose_basis": basis}
        for _, u, tube, basis in told
    ]
    (found,) = doses_of(columns(row(1, [kerma for kerma, *_ in told], changes=changes)))
    one_study = sum_doses(
        [
            ExposureDose(
                fact_id=str(i),
                tube=tube,
                ended_early=False,
                repeat=False,
                kerma=AirKerma(kerma, KermaBasis(basis.value), u),
                kap=None,
                notes=(),
            )
            for i, (kerma, u, tube, basis) in enumerate(told)
        ]
    )
    assert found.total.kerma_mgy == pytest.approx(one_study.kerma_mgy)
    assert found.relative_uncertainty == pytest.approx(
        one_study.kerma_relative_standard_uncertainty
    )


def test_the_median_of_one_exposure_and_of_a_study_have_quartiles_and_an_interval() -> None:
    found = doses_of(columns(*(row(i, [0.1 * i, 0.2 * i]) for i in range(1, 41))))[0]
    singles = sorted([0.1 * i for i in range(1, 41)] + [0.2 * i for i in range(1, 41)])
    spread, study = found.kerma_of_one_mgy, found.kerma_of_a_study_mgy
    assert spread is not None
    assert study is not None
    assert spread.median == pytest.approx(np.median(singles))
    assert spread.lower_quartile == pytest.approx(np.quantile(singles, 0.25))
    assert spread.median_low < spread.median < spread.median_high
    assert study.median == pytest.approx(0.3 * 20.5)


@pytest.mark.parametrize("n", [10, 11, 30, 101, 500])
def test_the_interval_of_a_median_holds_it_at_least_95_times_in_100(n: int) -> None:
    # The exact binomial probability that the two order statistics hold the median.
    low, high = median_ranks(n)
    held = sum(comb(n, k) for k in range(low + 1, high + 1)) / 2**n
    assert held >= 0.95
    assert n < 100 or held <= 0.98  # with few values it is rather too wide


def test_training_is_counted_apart_and_left_out() -> None:
    found = overview(columns(row(1, [1.0]), row(2, [2.0, 3.0], training=True)), None)
    assert found.training == 2
    assert found.groups[0].total.kerma_mgy == 1.0


def test_sites_and_months_are_summed_by_themselves() -> None:
    found = columns(row(1, [1.0]), row(2, [2.0], day=date(2026, 4, 1)), row(3, [4.0], site="south"))
    told = {(s, m): one.total.kerma_mgy for s, m, one in by_site_and_month(found, None)}
    assert told == {("north", "2026-03"): 1.0, ("north", "2026-04"): 2.0, ("south", "2026-03"): 4.0}


def test_a_trend_has_a_point_for_each_week_with_ten_exposures_that_ran_their_time() -> None:
    rows = [row(i, [1.0, 2.0], day=day) for i, day in enumerate(days(DAY, 7))]
    rows.append(row(50, [9.0] * 9, day=date(2026, 3, 10)))
    early = [{"use": ExposureUse.ENDED_EARLY}] * 20
    rows.append(row(51, [0.1] * 20, day=date(2026, 3, 17), changes=early))
    points, of = trend_points(columns(*rows))
    assert of == "week"
    assert [(p.name, p.value, p.exposures) for p in points] == [("2026-W10", 1.5, 14)]
