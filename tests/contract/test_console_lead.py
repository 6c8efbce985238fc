"""What the lead reads of the figures, on both databases."""

from datetime import date, timedelta

import pytest

from schemas.errors import InvalidInput
from services.console import (
    views_lead,
)
from services.console.lead.figure_lines import together
from services.console.views_lead import Asked, By
from services.runtime.store import Store
from tests.console_told import (
    DAY,
    OTHER,
    hear,
    study,
    told,
)

MARCH = Asked(date(2026, 3, 1), date(2026, 3, 31))
NORTH = Asked(date(2026, 3, 1), date(2026, 3, 31), ("north",))
DAYS = Asked(DAY, DAY + timedelta(days=6), ("north",))


def test_the_months_and_the_days_sums_say_the_same(store: Store) -> None:
    hear(store, [told(study(3, closed=True)), told(study(2, OTHER, closed=True))])
    with store.read() as connection:
        for by in (By.ALL, By.SITE, By.OPERATOR, By.DEVICE, By.VIEW, By.SPECIES):
            months = views_lead.figures_by(connection, NORTH, by)
            days = views_lead.figures_by(connection, DAYS, by)
            assert months == days
            assert months
        assert views_lead.reject_reasons(connection, NORTH) == {"reason 111209": 2}
        assert views_lead.reject_reasons(connection, DAYS) == {"reason 111209": 2}


def test_a_group_of_one_site_has_that_sites_figures(store: Store) -> None:
    hear(store, [told(study(3, closed=True))])

    with store.read() as connection:
        for by in (By.ALL, By.SITE, By.VIEW, By.SPECIES, By.TIME):
            group = views_lead.figures_by(connection, MARCH, by)
            assert group == views_lead.figures_by(connection, NORTH, by)
        reasons = views_lead.reject_reasons(connection, MARCH)

    assert reasons == {"reason 111209": 1}


def test_rates_come_with_their_interval_and_doses_with_their_quartiles(store: Store) -> None:
    hear(store, [told(study(3, closed=True))])

    with store.read() as connection:
        (line,) = views_lead.figures_by(connection, NORTH, By.ALL)

    assert (line.images, line.exposures, line.missing_views) == (3, 4, 1)
    assert (line.rejects.count, line.rejects.images) == (1, 3)
    # Wilson's interval of 1 in 3 at 95 %: 0.0615 to 0.7923 (by the formula, worked by hand).
    assert line.rejects.low == pytest.approx(0.0615, abs=1e-3)
    assert line.rejects.high == pytest.approx(0.7923, abs=1e-3)
    assert line.early_of_exposures.count == 1
    assert line.doses.kerma_mgy == pytest.approx(0.8 + 1.6 + 2.4)
    assert line.doses.median_mgy == pytest.approx(1.6, rel=0.3)


def test_a_further_condition_narrows_the_figures(store: Store) -> None:
    hear(store, [told(study(3, closed=True))])
    asked = Asked(NORTH.first, NORTH.last, NORTH.sites, {"view": "view-1"})

    with store.read() as connection:
        (line,) = views_lead.figures_by(connection, asked, By.ALL)

    assert (line.images, line.rejects.count) == (1, 1)


def test_questions_that_no_page_could_answer_in_time_are_refused(store: Store) -> None:
    many = tuple(f"site-{number}" for number in range(views_lead.MOST_SITE_DAYS + 1))
    with store.read() as connection:
        for asked, by in (
            (Asked(DAY, DAY), By.ALL),
            (Asked(DAY, DAY, many), By.VIEW),
            (MARCH, By.OPERATOR),
        ):
            with pytest.raises(InvalidInput):
                views_lead.figures_by(connection, asked, by)
    with pytest.raises(InvalidInput, match="only"):
        Asked(DAY, DAY, ("north",), {"patient": "P-1001"})
    with pytest.raises(InvalidInput, match="last"):
        Asked(DAY, DAY - timedelta(days=1))


def test_adding_the_lines_up_gives_what_all_together_is(store: Store) -> None:
    hear(store, [told(study(3, closed=True)), told(study(2, OTHER, closed=True))])
    with store.read() as connection:
        for asked in (NORTH, DAYS):
            (whole,) = views_lead.figures_by(connection, asked, By.ALL)
            for by in (By.TIME, By.OPERATOR, By.DEVICE, By.VIEW, By.SPECIES):
                added = together(views_lead.figures_by(connection, asked, by))
                assert added == whole, by
    assert together(()) is None


def test_only_the_counts_that_are_asked_for_are_summed(store: Store) -> None:
    hear(store, [told(study(3, closed=True))])
    with store.read() as connection:
        (whole,) = views_lead.figures_by(connection, NORTH, By.ALL)
        (some,) = views_lead.figures_by(connection, NORTH, By.ALL, ("images", "rejected"))

    assert some.rejects == whole.rejects
    assert (some.exposures, some.doses.known) == (0, 0)
