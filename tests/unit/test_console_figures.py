"""What one study adds to the figures, and a histogram of dose that can be added up."""

import random
from collections import Counter
from statistics import quantiles

import pytest

from schemas.conclusions import Concern, ExposureUse, ImageUse, TechniqueFinding, ViewStatus
from schemas.conclusions.findings import RepeatFound, RepeatKind
from schemas.quality.rated import rated_images
from services.console.dose_bins import BIN_COLUMNS, BINS, bin_bounds, bin_of, quantile_mgy
from services.console.figures import FigureSums, Line, as_text, figures_of, from_text
from tests.assessed import assessed, exposure, image, view

STUDY = assessed(
    3,
    [
        image(1, view="view-1", exposure_key="exposure:INVENTED-0001:1"),
        image(
            2, ImageUse.REJECTED, view="view-2", words="rejected: reason 111209, bent (invented)"
        ),
        image(3, ImageUse.REPEAT, view="view-1", exposure_key="exposure:INVENTED-0001:3"),
    ],
    views=(view(1), view(2, ViewStatus.MISSING), view(3, ViewStatus.EXCUSED)),
    exposures=(
        exposure(
            1, sop_instance_uid="2.25.2001", operator="tech-1", kerma_mgy=1.6, kap_mgycm2=45.0
        ),
        exposure(2, ExposureUse.ENDED_EARLY, operator="tech-1", generator="generator-1"),
        exposure(3, sop_instance_uid="2.25.2003", operator="tech-2", kerma_mgy=0.9),
        exposure(4, ExposureUse.NO_IMAGE, operator="tech-1", kerma_mgy=900.0, kerma_doubtful=True),
    ),
    technique=(
        TechniqueFinding(
            code="not-back-at-preset",
            exposure_key="exposure:INVENTED-0001:3",
            concern=Concern.CHECK,
            words="invented",
            rule="manual-change-holds-once",
        ),
    ),
    repeats=(
        RepeatFound(
            kind=RepeatKind.SAME_VIEW_TWICE,
            view="view-1",
            first="2.25.2001",
            again="2.25.2003",
            seconds_between=120.0,
            words="invented",
            rule="repeat-same-view",
        ),
    ),
    closed=True,
)


def _total(name: str) -> int:
    return sum(told.get(name, 0) for told in figures_of(STUDY).counts.values())


def test_a_study_is_counted_as_the_rates_of_rejects_count_it() -> None:
    rated = list(rated_images(STUDY))

    assert _total("images") == len(rated)
    assert _total("rejected") == sum(one.rejected for one in rated)
    assert _total("repeats") == sum(one.repeat for one in rated)
    reasons = Counter(one.reason for one in rated if one.rejected)
    assert {why: n for (_, why), n in figures_of(STUDY).reasons.items()} == reasons


def test_exposures_are_counted_with_what_they_led_to_and_doubtful_doses_are_in_no_sum() -> None:
    assert _total("exposures") == 4
    assert _total("ended_early") == 1
    assert _total("deviations") == 1
    assert _total("kerma_known") == 2
    assert _total("kerma_ngy") == 2_500_000
    assert _total("kap_ngycm2") == 45_000_000
    assert sum(_total(name) for name in BIN_COLUMNS) == 2


def test_a_missing_view_counts_for_who_exposed_most_and_only_once_the_study_is_closed() -> None:
    missing = {
        of: told["missing_views"]
        for of, told in figures_of(STUDY).counts.items()
        if "missing_views" in told
    }
    still_open = figures_of(STUDY.model_copy(update={"closed": False}))

    assert missing == {Line(STUDY.day, "tech-1", "", "view-2", "dog"): 1}
    assert not any("missing_views" in told for told in still_open.counts.values())


def test_a_training_study_counts_for_nothing() -> None:
    assert not figures_of(STUDY.model_copy(update={"training": True}))


def test_figures_come_back_from_their_text() -> None:
    figures = figures_of(STUDY)

    assert from_text(as_text(figures)) == figures
    assert not from_text(None)


def test_what_is_exchanged_for_itself_changes_nothing() -> None:
    sums = FigureSums()
    sums.exchange("north", figures_of(STUDY), figures_of(STUDY))

    assert (sums.day_rows(), sums.month_rows(), sums.reject_rows()) == ([], [], [])


def test_each_by_of_the_month_adds_up_to_the_same_images() -> None:
    sums = FigureSums()
    sums.exchange("north", from_text(None), figures_of(STUDY))
    images = Counter[tuple[str, str]]()
    for row in sums.month_rows():
        images[row["by"], row["site"]] += row["images"]

    expected = {(by, "north"): 3 for by in ("all", "view", "species", "operator", "device")}
    expected |= {(by, ""): 3 for by in ("all", "view", "species")}
    assert +images == expected
    assert sum(row["images"] for row in sums.day_rows()) == 3


def test_every_kerma_lies_in_the_bin_that_holds_it() -> None:
    rng = random.Random(8)
    for _ in range(500):
        kerma = 10 ** rng.uniform(-3, 3)
        low, high = bin_bounds()[bin_of(kerma)]
        assert low <= kerma
        assert high is None or kerma < high
    assert len(bin_bounds()) == BINS


def test_a_quantile_of_bins_is_near_that_of_the_doses_themselves() -> None:
    rng = random.Random(9)
    doses = [rng.lognormvariate(0.3, 0.6) for _ in range(4_000)]
    counts = [0] * BINS
    for dose in doses:
        counts[bin_of(dose)] += 1

    quarters = quantiles(doses, n=4)

    for share, exact in zip((0.25, 0.5, 0.75), quarters, strict=True):
        found = quantile_mgy(counts, share)
        assert found is not None
        assert found == pytest.approx(exact, rel=0.1)
    assert quantile_mgy([0] * BINS, 0.5) is None
