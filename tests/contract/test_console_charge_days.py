"""Reconciled days in the console's read model, on both databases."""

from datetime import timedelta
from decimal import Decimal

import pytest
from sqlalchemy import insert

from schemas.conclusions import DayReconciled
from schemas.conclusions.reconciled import Status
from schemas.errors import InvalidInput
from services.console import paging
from services.console.charges import bills, deeds, sites, views
from services.console.charges.deeds import Outcome
from services.console.charges.rows import Kind
from services.console.charges.tables import CHARGE_MONTH, SUMS
from services.console.charges.views import Asked
from services.runtime.store import Store
from tests.assessed import STUDY
from tests.console_told import DAY, charges, codes_missing, hear, reconciled, study, told
from tests.contract.test_console_query_plans import _listening as listening
from tests.contract.test_console_query_plans import _plan as plan_of
from tests.contract.test_console_query_plans import _walked as walked

ID = "00112233445566aa"


def test_a_day_is_read_as_it_was_told_and_balances(store: Store) -> None:
    hear(store, [told(reconciled(1), minute=5)])

    with store.read() as connection:
        (books,) = views.day_books(connection, "north", DAY)
        (one,) = views.exceptions(connection, "north", Asked(DAY)).rows
        before = views.open_before(connection, "north", DAY + timedelta(days=1))

    assert books.sums.balances
    assert (books.sums.due, books.sums.held) == (Decimal("38.00"), Decimal("76.00"))
    assert (one.kind, one.found.at_stake) == (Kind.DOUBLED, Decimal("38.00"))
    assert before == (1, DAY)


def test_a_newer_revision_takes_the_place_of_the_older_whatever_comes_first(store: Store) -> None:
    hear(store, [told(reconciled(2, Status.ACCEPTED), minute=6)])
    hear(store, [told(reconciled(1), minute=5)])

    with store.read() as connection:
        assert views.exceptions(connection, "north", Asked(None)).rows == ()
        (one,) = views.exceptions(connection, "north", Asked(DAY)).rows
    assert one.found.status is Status.ACCEPTED

    # and a day of which nothing is left shows nothing, also to an older one that comes late
    hear(store, [told(DayReconciled(revision=3, day=DAY), minute=7)])
    hear(store, [told(reconciled(2), minute=6)])
    with store.read() as connection:
        assert views.day_books(connection, "north", DAY) == []
        assert views.exceptions(connection, "north", Asked(DAY)).rows == ()


def test_a_refusal_is_its_own_kind_and_filters_hold(store: Store) -> None:
    words = "Account closed (invented)"
    hear(store, [told(reconciled(1, kind="missing", record_words=words), minute=5)])

    with store.read() as connection:
        for asked, number in (
            (Asked(DAY, Kind.REFUSED), 1),
            (Asked(DAY, Kind.MISSING), 0),
            (Asked(None, status=Status.OPEN), 1),
            (Asked(None, status=Status.WAITS_FOR_SECOND), 0),
        ):
            assert len(views.exceptions(connection, "north", asked).rows) == number


def test_pages_of_exceptions_follow_each_other_without_gap_or_double(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paging, "PAGE_ROWS", 4)
    days = [DAY + timedelta(days=number) for number in range(11)]
    names = [f"{number:016x}" for number in range(11)]
    hear(store, [
        told(reconciled(1, day=day, exception_id=name), minute=5)
        for day, name in zip(days, names, strict=True)
    ])  # fmt: skip

    found: list[str] = []
    after: str | None = None
    with store.read() as connection:
        while True:
            page = views.exceptions(connection, "north", Asked(None), after)
            found += [one.found.exception_id for one in page.rows]
            after = page.next
            if after is None:
                break
        with pytest.raises(InvalidInput, match="after"):
            views.exceptions(connection, "north", Asked(None), "W10")
    assert found == names


def test_a_month_adds_up_by_day_and_by_site_to_the_cent(store: Store) -> None:
    hear(store, [told(reconciled(1)), told(reconciled(1, day=DAY + timedelta(days=3)))])

    last = DAY + timedelta(days=10)
    with store.read() as connection:
        by_day = views.sums_by_day(connection, ["north"], DAY, last)
        month = sites.sites_of_month(connection, None, DAY.replace(day=1))
        ((_, _, of_day),) = sites.sites_of_day(connection, ["north", "south"], DAY).page().rows
        assert sites.sites_of_month(connection, ["south"], DAY.replace(day=1)).rows == ()
        assert sites.sites_of_month(connection, None, DAY.replace(day=1), {"south"}).rows == ()

    ((site, currency, whole),) = month.page().rows
    assert (site, currency, whole.exceptions) == ("north", "EUR", 2)
    assert month.whole() == {"EUR": whole}
    assert sum(sums.held for _, _, sums in by_day) == whole.held == Decimal("152.00")
    assert whole.balances
    assert of_day == by_day[0][2]


def test_pages_of_sites_show_each_once_those_with_exceptions_first(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given: seven sites, of which two have exceptions
    monkeypatch.setattr(sites, "PAGE_ROWS", 3)
    month = DAY.replace(day=1)
    counts = {f"site-{n}": 2 if n in {2, 5} else 0 for n in range(7)}
    with store.begin() as connection:
        rows = [
            dict.fromkeys(SUMS, 100)
            | {"month": month, "site": name, "currency": "EUR"}
            | {"exceptions": number, "faults": 0}
            for name, number in counts.items()
        ]
        connection.execute(insert(CHARGE_MONTH), rows)

    # when
    with store.read() as connection:
        compared = sites.sites_of_month(connection, None, month)
    found: list[str] = []
    after: str | None = None
    while True:
        page = compared.page(after)
        found += [one.site for one in page.rows]
        after = page.next
        if after is None:
            break

    # then
    assert found == sorted(counts, key=lambda name: (-counts[name], name))
    assert compared.sites == set(counts)
    whole = compared.whole()["EUR"]
    assert (whole.exceptions, whole.held) == (4, Decimal("7.00"))
    with pytest.raises(InvalidInput, match="after"):
        compared.page("W10")


def test_what_waits_for_a_code_is_listed_with_its_day(store: Store) -> None:
    hear(store, [told(study(1)), told(codes_missing("charge:2.25.1001:9"), minute=9)])

    with store.read() as connection:
        (one,) = views.unmapped(connection, "north", DAY)
        assert views.unmapped(connection, "north", DAY + timedelta(days=1)) == []
    assert (one.day, one.missing.posting_key) == (DAY, "charge:2.25.1001:9")


def test_what_was_sent_is_awaited_until_the_exception_shows_it(store: Store) -> None:
    # given
    hear(store, [told(reconciled(1))])
    deed = deeds.begun("batch-1", ID, "right", DAY, "north/billing-1", "invented")
    with store.read() as connection:
        before = views.some_exceptions(connection, "north", [ID])[ID]

    # when: one is sent, and a doubled tap sends it once more
    with store.begin() as connection:
        assert deeds.add_deed(connection, "north", deed)
        assert not deeds.add_deed(connection, "north", deed)
        deeds.end_deed(connection, "north", deed, Outcome.SENT)

    # then
    with store.read() as connection:
        sent = views.some_exceptions(connection, "north", [ID])[ID]
    assert sent.awaited is not None
    assert sent.mark != before.mark
    decision = {"action": "reverse", "by": "billing-1", "at": deed.told_at.isoformat()}
    hear(store, [told(reconciled(2, Status.UNDER_WAY, decision=decision), minute=1)])
    with store.read() as connection:
        assert views.some_exceptions(connection, "north", [ID])[ID].awaited is None


def test_what_was_not_kept_is_not_awaited(store: Store) -> None:
    hear(store, [told(reconciled(1))])
    deed = deeds.begun("batch-1", ID, "right", DAY, "north/billing-1", "invented")
    with store.begin() as connection:
        deeds.add_deed(connection, "north", deed)
        deeds.end_deed(connection, "north", deed, Outcome.FAILED, "intake is away (invented)")

    with store.read() as connection:
        assert views.some_exceptions(connection, "north", [ID])[ID].deed is None
        (kept,) = deeds.deeds_of(connection, "north", "batch-1")
    assert kept.words == "intake is away (invented)"


def test_every_question_of_the_desk_is_answered_by_an_index(store: Store) -> None:
    # given
    days = [DAY + timedelta(days=number) for number in range(9)]
    hear(store, [told(study(1)), told(charges(1))])
    hear(store, [told(reconciled(1, day=day)) for day in days])

    # when
    with listening(store) as asking, store.read() as connection:
        for asked in (
            Asked(DAY),
            Asked(None),
            Asked(DAY, Kind.DOUBLED, Status.OPEN),
            Asked(None, Kind.DOUBLED, Status.OPEN),
        ):
            views.exceptions(connection, "north", asked)
        views.day_books(connection, "north", DAY)
        views.open_before(connection, "north", DAY)
        views.some_exceptions(connection, "north", [ID])
        views.unfilled_keys(connection, "north", DAY)
        views.unmapped(connection, "north", DAY)
        views.unmapped(connection, "north", None)
        views.sums_by_day(connection, ["north"], DAY, days[-1])
        sites.sites_of_month(connection, None, DAY.replace(day=1))
        sites.sites_of_month(connection, ["north", "south"], DAY.replace(day=1))
        sites.sites_of_day(connection, None, DAY)
        sites.sites_of_day(connection, ["north", "south"], DAY)
        bills.bills_of_day(connection, "north", DAY)
        bills.some_bills(connection, "north", [STUDY])
        deeds.deeds_of(connection, "north", "batch-1")

    # then
    assert len(asking.sent) > 12
    with store.read() as connection:
        for statement, parameters in asking.sent:
            plan = plan_of(connection, statement, parameters)
            assert not walked(statement, plan), f"{statement}\n{plan}"
