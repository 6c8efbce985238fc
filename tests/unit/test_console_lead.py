"""What the lead's pages are made of: what to teach, marks, addresses, pages of lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.errors import InvalidInput
from schemas.plans import load_plans
from schemas.quality import load_reject_targets
from schemas.quality.rates import rate
from services.console import paging
from services.console.dose_bins import BINS
from services.console.lead.asked import LeadAsked, usual_periods
from services.console.lead.figure_lines import Doses, FigureLine
from services.console.lead.lines import PAGE_TIMES, begin_at, page_of_lines, short_verdict, spans_of
from services.console.lead.marks import box_mark, histogram, interval_mark, scale_of
from services.console.lead.names import Names, reason_words
from services.console.lead.teach import Measure, Taught, what_to_teach
from services.console.lead.teach_words import behind, told_list
from services.console.views_lead import MOST_SITE_DAYS, By
from tests.assessed import GROUP

TARGETS = load_reject_targets()
NO_DOSES = Doses(0, 0.0, 0.0, (0,) * BINS, None, None, None)
FIRST_DAY = date(2026, 1, 3)
YEAR = LeadAsked(date(2026, 1, 1), date(2026, 12, 31), By.VIEW, "north")


def line(name: str, images: int, rejected: int = 0, early: int = 0) -> FigureLine:
    return FigureLine(
        name=name,
        images=images,
        exposures=images,
        rejects=rate(rejected, images),
        repeats=rate(0, images),
        early_of_exposures=rate(early, images),
        deviations_of_exposures=rate(0, images),
        missing_views=0,
        doses=NO_DOSES,
    )


def teach(lines: Mapping[By, list[FigureLine]], whole: FigureLine | None = None) -> Taught:
    every = lines[next(iter(lines))]
    together = whole or line(
        "all", sum(one.images for one in every), sum(one.rejects.count for one in every)
    )
    return what_to_teach(together, lines, TARGETS.least_images)


def test_a_line_whose_interval_leaves_the_share_of_all_is_listed_with_what_it_would_save() -> None:
    # given: 40 of 1,000 together; 25 of 200 has Wilson's interval from 8.6 to 17.8 % (by formula)
    views = [line("a", 800, 15), line("b", 200, 25)]

    # when
    (found,) = teach({By.VIEW: views}).saving

    # then: 25 - 4 % of 200 = 17
    assert (found.name, found.measure, found.more) == ("b", Measure.REJECTS, 17)
    assert found.together == 0.04


def test_a_line_whose_interval_holds_the_share_of_all_is_not_listed() -> None:
    # 12 of 200: 3.5 to 10.2 % holds the 4.4 % of all
    assert teach({By.VIEW: [line("a", 800, 32), line("b", 200, 12)]}).saving == ()


def test_too_small_a_line_is_not_ranked_but_counted() -> None:
    taught = teach({By.VIEW: [line("a", 800, 15), line("b", 99, 60)]})

    assert taught.saving == ()
    assert taught.too_small == {By.VIEW: 1}


def test_fewer_than_three_people_are_not_compared() -> None:
    two = [line("a", 800, 15), line("b", 200, 60)]

    assert teach({By.OPERATOR: two}).people_too_few
    assert teach({By.OPERATOR: two}).saving == ()
    assert teach({By.OPERATOR: [*two, line("c", 300, 5)]}).saving[0].name == "b"


def test_what_would_save_most_comes_first_whatever_it_is_of() -> None:
    views = [line("a", 5000, 50), line("b", 400, 40), line("c", 600, 60, early=90)]

    taught = teach({By.VIEW: views})

    more = [one.more for one in taught.saving]
    assert more == sorted(more, reverse=True)
    assert (taught.saving[0].name, taught.saving[0].measure) == ("c", Measure.ENDED_EARLY)
    assert taught.by_chance == pytest.approx(0.025 * taught.compared)


@settings(max_examples=30)
@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 400)), min_size=2, max_size=8))
def test_nothing_at_or_below_the_share_of_all_is_ever_listed(told: list[tuple[int, int]]) -> None:
    views = [line(f"v{n}", max(pair), min(pair)) for n, pair in enumerate(told)]

    taught = teach({By.VIEW: views})

    for one in taught.saving:
        assert one.rate.share > one.rate.low > one.together
        assert one.more >= 1


def test_each_finding_leads_to_its_own_figures_or_to_its_line() -> None:
    (found,) = teach({By.VIEW: [line("a", 800, 15), line("b", 200, 25)]}).saving
    names = Names(GROUP, load_plans(), "north")

    (told,) = told_list([found], YEAR, names).lines
    assert told.behind == YEAR.narrowed("view", "b", By.DEVICE)

    group = LeadAsked(YEAR.first, YEAR.last, By.VIEW)
    query = parse_qs(urlsplit(behind(found, group)).query)
    assert query["after"] == [begin_at(200)]
    page = page_of_lines(
        [line("a", 800), line("b", 200)],
        LeadAsked(YEAR.first, YEAR.last, By.VIEW, after=begin_at(200)),
    )
    assert [one.name for one in page.rows] == ["b"]


def test_a_long_list_of_what_to_teach_is_cut_and_says_how_many_follow() -> None:
    # given: 60 of 100 sites are above all together, each by more than the one before it
    sites = [line(f"s{n:03d}", 1000, 10 if n < 40 else 100 + n) for n in range(100)]
    whole = line("all", 100_000, 5_000)
    found = teach({By.SITE: sites}, whole).saving

    # when
    told = told_list(found, LeadAsked(YEAR.first, YEAR.last, By.VIEW), Names(GROUP, {}, None))

    # then
    assert [one.words for one in told.lines] == [f"s{n:03d}" for n in range(99, 49, -1)]
    assert told.further == 10


@settings(max_examples=30)
@given(st.lists(st.integers(0, 5), max_size=40))
def test_pages_of_lines_show_each_once_and_in_order(images: list[int]) -> None:
    lines = sorted(
        (line(f"v{n:02d}", count) for n, count in enumerate(images)),
        key=lambda one: (-one.images, one.name),
    )
    seen: list[str] = []
    after: str | None = None
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("services.console.lead.lines.PAGE_ROWS", 7)
        while True:
            page = page_of_lines(lines, LeadAsked(YEAR.first, YEAR.last, By.VIEW, after=after))
            seen += [one.name for one in page.rows]
            after = page.next
            if after is None:
                break
    assert seen == [one.name for one in lines]
    assert paging.PAGE_ROWS == 50


def test_days_are_shown_a_quarter_at_a_time_each_once_and_every_part_has_its_address() -> None:
    days = [(FIRST_DAY + timedelta(days=n)).isoformat() for n in range(200)]
    times = [line(day, 1) for day in days]
    asked = LeadAsked(FIRST_DAY, FIRST_DAY + timedelta(days=199), By.TIME, "north")

    pages = [page_of_lines(times, replace(asked, after=place)) for _, _, place in spans_of(times)]

    assert [len(page.rows) for page in pages] == [PAGE_TIMES, PAGE_TIMES, 200 - 2 * PAGE_TIMES]
    assert [one.name for page in pages for one in page.rows] == days
    assert [page.next for page in pages] == [*(place for _, _, place in spans_of(times)[1:]), None]
    assert spans_of(times)[0][:2] == (days[0], days[91])
    assert spans_of([]) == []
    with pytest.raises(InvalidInput, match="after"):
        page_of_lines(times, replace(asked, after=begin_at(3)))


@pytest.mark.parametrize("today", [date(2026, 1, 1), date(2028, 2, 29), date(2026, 12, 31)])
def test_the_usual_periods_hold_whole_months_and_end_today(today: date) -> None:
    first, *_, thirty = usual_periods(today)

    question = LeadAsked(first.first, first.last, By.VIEW, "north").question
    assert question.whole_months
    months = (first.last.year - first.first.year) * 12 + first.last.month - first.first.month + 1
    assert months == 12
    assert first.first <= today <= first.last
    assert (thirty.last - thirty.first).days == 29


def test_a_line_is_followed_only_where_a_page_can_sum_it() -> None:
    long = LeadAsked(date(2020, 1, 1), date(2026, 12, 31), By.VIEW, "north")

    assert YEAR.narrowed("view", "a", By.DEVICE) is not None
    assert long.days > MOST_SITE_DAYS
    assert long.narrowed("view", "a", By.DEVICE) is None
    assert LeadAsked(YEAR.first, YEAR.last, By.VIEW).narrowed("view", "a", By.SPECIES) is None
    assert YEAR.narrowed("view", "", By.DEVICE) is None


def test_people_have_an_address_of_their_own() -> None:
    assert urlsplit(YEAR.address(by=By.OPERATOR)).path == "/sites/north/lead/people"
    assert urlsplit(YEAR.address(only={"operator": "x"})).path == "/sites/north/lead/people"
    assert urlsplit(YEAR.address()).path == "/sites/north/lead"


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"first": date(1999, 12, 31)}, "first"),
        ({"last": date(9999, 12, 31)}, "last"),
        ({"last": date(2025, 12, 31)}, "last"),
    ],
)
def test_a_period_that_makes_no_sense_is_refused_by_name(
    values: dict[str, Any], field: str
) -> None:
    given: dict[str, Any] = {"first": YEAR.first, "last": YEAR.last, "by": By.VIEW} | values
    with pytest.raises(InvalidInput, match=field):
        LeadAsked(**given)


def test_verdicts_are_told_by_the_whole_interval() -> None:
    # Wilson's intervals at 95 % of 1,000, by the formula: 10: 0.5 to 1.8 %; 60: 4.7 to 7.7 %;
    # 90: 7.4 to 10.9 %; 150: 12.9 to 17.3 %
    assert short_verdict(rate(10, 1000), TARGETS) == "within 5%"
    assert short_verdict(rate(60, 1000), TARGETS) == "within 8%"
    assert short_verdict(rate(90, 1000), TARGETS) == "above 5%"
    assert short_verdict(rate(150, 1000), TARGETS) == "above 10%"
    assert short_verdict(rate(50, 99), TARGETS) == "too few to judge (under 100)"


def test_marks_stay_inside_their_drawing_and_in_order() -> None:
    for one in (rate(0, 10), rate(10, 10), rate(3, 500), rate(0, 0)):
        mark = interval_mark(one, scale_of([one], TARGETS.targets), TARGETS.targets)
        assert 4 <= mark.low <= mark.at <= mark.high <= 196 or not one.images
        assert list(mark.targets) == sorted(mark.targets)

    bins = tuple(range(BINS))
    box = box_mark(Doses(sum(bins), 1.0, 1.0, bins, 1.0, 1.0, 1.0))
    assert box is not None
    assert 4 <= box.low <= box.lower <= box.median <= box.upper <= box.high <= 196
    assert box_mark(NO_DOSES) is None


def test_a_histogram_has_a_bar_for_each_bin_as_high_as_its_count() -> None:
    bins = tuple(range(BINS))
    drawn = histogram(Doses(sum(bins), 1.0, 1.0, bins, 1.0, 1.0, 1.0), ())

    heights = [bar.height for bar in drawn.bars]
    assert heights == sorted(heights)
    assert heights[20] == pytest.approx(2 * heights[10], abs=0.2)
    assert all(drawn.left <= bar.x and bar.x + bar.width <= drawn.right for bar in drawn.bars)
    assert max(heights) <= drawn.bottom - drawn.top


def test_codes_are_told_in_words_and_stay_beside_them() -> None:
    names = Names(GROUP, load_plans(), "north")

    assert names.of(By.OPERATOR, "tech-1") == "Invented Technician (tech-1)"
    assert names.of(By.VIEW, "max-incisors") == "upper incisors, both sides (max-incisors)"
    assert names.of(By.VIEW, "not-in-a-plan") == "not-in-a-plan"
    assert names.of(By.DEVICE, "") == "not told"
    assert reason_words("reason 111209") == "Positioning (111209)"
    assert reason_words("invented words") == "invented words"
