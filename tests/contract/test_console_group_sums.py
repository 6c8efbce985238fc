"""Sums that the worker keeps are those of the newest revisions, whatever came in between.

What is expected is counted anew from each study's newest revision, by no table at all.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import chain

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload
from schemas.group import Group
from schemas.quality.rates import Trend, trend_of
from services.console.figures import Line, figures_of
from services.console.lead import lines
from services.console.lead.asked import LeadAsked
from services.console.lead.figure_lines import FigureLine, line_of, together
from services.console.lead.reading import read_every_line, read_figures, read_taught
from services.console.lead.tables import FIGURES_SITE, SITE_COUNTS
from services.console.views_lead import Asked, By, figures_by, reject_reasons, reject_trend
from services.console.worker import ConsoleHandler
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.assessed import GROUP
from tests.console_told import empty, study, told

NORTH = GROUP.site("north")
TWO = Group(
    name=GROUP.name,
    title=GROUP.title,
    sites=(NORTH, NORTH.model_copy(update={"name": "south", "title": "Invented South"})),
)
HANDLER = ConsoleHandler(TWO)
FIRST = date(2026, 1, 20)
Told = tuple[str, StudyAssessed]


@dataclass(frozen=True)
class Story:
    """What is told of a few studies, in the order and batches in which it comes."""

    batches: tuple[tuple[Told, ...], ...]

    @property
    def newest(self) -> dict[tuple[str, str], StudyAssessed]:
        found: dict[tuple[str, str], StudyAssessed] = {}
        for site, one in chain.from_iterable(self.batches):
            known = found.get((site, one.study_instance_uid))
            if known is None or known.revision < one.revision:
                found[site, one.study_instance_uid] = one
        return found


@st.composite
def _lines(draw: st.DrawFn) -> Story:
    """Draw studies whose later revisions correct the day, the images or that it was a training."""
    facts: list[Told] = []
    for number in range(draw(st.integers(1, 4))):
        site = draw(st.sampled_from(("north", "south")))
        for revision in range(1, draw(st.integers(1, 3)) + 1):
            day = FIRST + timedelta(days=draw(st.integers(0, 75)))
            training = draw(st.integers(0, 4)) == 0
            made = study(revision, f"2.25.{number}", day=day, training=training, closed=True)
            facts.append((site, made))
    again = draw(st.lists(st.sampled_from(facts), max_size=4))
    order = draw(st.permutations([*facts, *again]))
    size = draw(st.integers(1, 4))
    return Story(tuple(tuple(order[n : n + size]) for n in range(0, len(order), size)))


def _hear(store: Store, line: Story) -> None:
    for batch in line.batches:
        messages: list[Message[Payload]] = [
            replace(told(one, minute=one.revision), site=site) for site, one in batch
        ]
        with store.begin() as connection:
            work = Work(connection, store)
            HANDLER(work, messages)
            work.flush("console")


def _counted(line: Story, asked: Asked) -> Iterator[tuple[str, Line, dict[str, int]]]:
    for (site, _), one in line.newest.items():
        if asked.sites is None or site in asked.sites:
            for of, counts in figures_of(one).counts.items():
                if asked.first <= of.day <= asked.last:
                    yield site, of, dict(counts)


def _expected(line: Story, asked: Asked, by: By) -> tuple[FigureLine, ...]:
    sums: dict[str, Counter[str]] = {}
    for site, of, counts in _counted(line, asked):
        time = (of.day.replace(day=1) if asked.by_months else of.day).isoformat()
        name = {By.SITE: site, By.TIME: time}.get(by) or str(getattr(of, by.value))
        sums.setdefault(name, Counter()).update(counts)
    lines = [line_of(name, told) for name, told in sums.items()]
    if by is By.TIME:
        return tuple(sorted(lines, key=lambda one: one.name))
    return tuple(sorted(lines, key=lambda one: (-one.images, one.name)))


def _expected_reasons(line: Story, asked: Asked) -> dict[str, int]:
    reasons = Counter[str]()
    for (site, _), one in line.newest.items():
        for (of, reason), number in figures_of(one).reasons.items():
            if (asked.sites is None or site in asked.sites) and asked.first <= of.day <= asked.last:
                reasons[reason] += number
    return dict(reasons)


def _expected_trend(line: Story, asked: Asked) -> Trend | None:
    months: dict[int, tuple[int, int]] = {}
    for _, of, counts in _counted(line, asked):
        month = of.day.year * 12 + of.day.month - 1
        rejected, images = months.get(month, (0, 0))
        images += counts.get("images", 0)
        months[month] = (rejected + counts.get("rejected", 0), images)
    return trend_of(months)


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(_lines(), st.integers(0, 75), st.integers(0, 75))
def test_kept_sums_are_those_of_the_newest_revisions_however_they_came(
    store: Store, line: Story, one_end: int, other_end: int
) -> None:
    # given: late, doubled and corrected, in any order
    empty(store)
    _hear(store, line)

    # then: of whole months of the group, and of any period of a site
    first, last = (FIRST + timedelta(days=n) for n in sorted((one_end, other_end)))
    group = Asked(date(2026, 2, 1), date(2026, 3, 31))
    year = Asked(date(2026, 1, 1), date(2026, 12, 31), ("south",))
    with store.read() as connection:
        for asked in (group, year, Asked(first, last, ("north",)), Asked(first, last, ("south",))):
            kinds = {By.SITE, By.TIME, By.VIEW, By.SPECIES}
            all_ = figures_by(connection, asked, By.ALL)
            added = together(figures_by(connection, asked, By.VIEW))
            assert all_ == (added or line_of("all", {}),)
            kinds |= {By.OPERATOR, By.DEVICE} if asked.sites else set()
            for by in kinds:
                assert figures_by(connection, asked, by) == _expected(line, asked, by), by
            assert reject_reasons(connection, asked) == _expected_reasons(line, asked)
            assert reject_trend(connection, asked) == _expected_trend(line, asked)


@settings(
    max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(_lines())
def test_the_narrow_sums_of_sites_are_those_of_their_days(store: Store, line: Story) -> None:
    empty(store)
    _hear(store, line)

    expected: dict[tuple[date, str], Counter[str]] = {}
    for site, of, counts in _counted(line, Asked(FIRST, date(2026, 12, 31))):
        told = {name: number for name, number in counts.items() if name in SITE_COUNTS}
        expected.setdefault((of.day.replace(day=1), site), Counter()).update(told)
    with store.read() as connection:
        rows = connection.execute(select(FIGURES_SITE)).mappings().all()
    found = {(row["month"], row["site"]): {name: row[name] for name in SITE_COUNTS} for row in rows}
    assert found == {
        key: {name: told[name] for name in SITE_COUNTS} for key, told in expected.items()
    }


def test_a_page_of_many_lines_shows_what_the_file_of_all_holds(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given: 30 days, two sites
    monkeypatch.setattr(lines, "PAGE_TIMES", 7)
    several = [
        ("north" if n % 3 else "south", study(2, f"2.25.{n}", day=FIRST + timedelta(days=n)))
        for n in range(30)
    ]
    _hear(store, Story((tuple(several),)))
    end = FIRST + timedelta(days=29)

    with store.read() as connection:
        for asked in (
            LeadAsked(FIRST, end, By.TIME, "north"),
            LeadAsked(FIRST, end, By.TIME, "north", {"species": "dog"}),
            LeadAsked(date(2026, 1, 1), date(2026, 4, 30), By.TIME),
            LeadAsked(date(2026, 1, 1), date(2026, 4, 30), By.SITE),
        ):
            # when
            every = read_every_line(connection, asked)
            shown = read_figures(connection, asked)

            # then
            assert shown.page.rows == every.page.rows[:7]
            assert (shown.together, shown.reasons) == (every.together, every.reasons)
            ranked = [(one.name, one.images, one.missing_views) for one in shown.ranked]
            assert ranked == [(one.name, one.images, one.missing_views) for one in every.page.rows]
        taught, of = read_taught(
            connection, LeadAsked(date(2026, 1, 1), date(2026, 4, 30), By.VIEW), 10, people=False
        )
    assert taught is not None
    assert {one.name: one.images for one in of[By.SITE]} == {"north": 40, "south": 20}
