"""The charge desk over the real console and the real intake: what it shows, and what it tells."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from html import unescape
from pathlib import Path

import httpx
import openpyxl
import pytest

from schemas.conclusions.reconciled import Status
from schemas.facts import ChargeExceptionDecided, ChargesReleased
from services.console.charges import views
from services.console.charges.rows import Kind
from services.console.charges.views import Asked, Listed
from tests.charges_day import DAY, ChargesDay, uid_of
from tests.console_support import RunningConsole, invented_group, running_console
from tests.intake_support import Intake, running_intake

DESK = "/sites/north/charges"
DAY_PAGE = f"{DESK}?day={DAY}"


@dataclass
class Desk:
    """A played day, the console that shows it, and the intake that it tells."""

    intake: Intake
    running: RunningConsole
    day: ChargesDay

    def listed(self) -> dict[Kind, Listed]:
        with self.running.runtime.store.read() as connection:
            rows = views.exceptions(connection, "north", Asked(DAY)).rows
        return {one.kind: one for one in rows}

    def post(self, client: httpx.Client, page: str, **form: object) -> httpx.Response:
        headers = {"X-CSRF-Token": self.running.csrf(client)}
        return client.post(f"{DESK}/{page}", data=form, headers=headers, follow_redirects=True)

    def decide(
        self, client: httpx.Client, listed: list[Listed], what: str = "right", **form: str
    ) -> httpx.Response:
        """Tick, confirm, and send what the confirmation asks to send."""
        picks = [f"{one.found.exception_id}:{one.mark}" for one in listed]
        shown = self.post(client, "confirm", what=what, pick=picks, **form)
        assert shown.status_code == 200, shown.text
        return self.send(client, shown.text)

    def send(self, client: httpx.Client, confirmation: str) -> httpx.Response:
        route = re.search(rf'action="{DESK}/(decide|countersign|release)"', confirmation)
        assert route is not None, confirmation
        fields: dict[str, list[str]] = {}
        for name, value in re.findall(r'name="(\w+)" value="([^"]*)"', confirmation):
            fields.setdefault(name, []).append(unescape(value))
        wanted = {name: fields[name][-1] for name in ("tap", "what", "reason", "posting_key")}
        return self.post(client, route[1], pick=fields["pick"], **wanted)

    def follow(self) -> None:
        """Let the charges hear what intake has kept, and the console what follows."""
        for fact in self.intake.facts():
            self.day.handle(fact)
        self.day.reconcile()


@contextmanager
def played(folder: Path) -> Iterator[Desk]:
    group = invented_group()
    with running_intake(folder / "intake", group=group) as intake:
        url = intake.facts_url.removesuffix("/facts")
        with running_console(folder / "console", group=group, intake_url=url) as running:
            day = ChargesDay(running.runtime.store, running.runtime.group)
            day.play()
            yield Desk(intake, running, day)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with played(tmp_path) as one:
        yield one


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """One for all tests that tell nothing."""
    with played(tmp_path_factory.mktemp("looked-at")) as one:
        yield one


def test_the_day_shows_each_exception_with_its_reason_and_totals_that_balance(
    looked_at: Desk,
) -> None:
    with looked_at.running.browser("north", "billing-1") as client:
        text = client.get(DAY_PAGE).text

    for words in (
        "Changed by hand",
        "Missing in the record",
        "Doubled",
        "Without support",
        "Refused by the record",
        "Account closed (invented)",
        "Balances to the cent",
        "Not due: the study is not closed",
        "repeat",
    ):
        assert words in text, words
    assert "Does not balance" not in text


def test_filters_in_the_address_narrow_the_list(looked_at: Desk) -> None:
    with looked_at.running.browser("north", "billing-1") as client:
        text = client.get(f"{DAY_PAGE}&kind=doubled").text
        assert "second line" in text
        assert "Account closed" not in text
        for wrong in ("kind=none", "status=none", "days=none", "after=W10", "more=W10"):
            assert client.get(f"{DAY_PAGE}&{wrong}").status_code == 422, wrong
        assert client.get(f"{DESK}?day=yesterday").status_code == 422
        assert client.get(f"{DESK}?days=open").status_code == 200


def test_the_evidence_names_images_rule_readiness_and_facts(looked_at: Desk) -> None:
    changed = looked_at.listed()[Kind.CHANGED]
    with looked_at.running.browser("north", "billing-1") as client:
        text = client.get(f"{DESK}/exceptions/{changed.found.exception_id}").text
        study = client.get(f"{DESK}/studies/{uid_of(0)}").text
        gone = client.get(f"{DESK}/exceptions/0000000000000000")

    assert changed.found.images[0] in text
    assert "Rule of the tariff" in text
    assert "invented-2026" in text
    assert "anaesthesia confirmed by Invented Technician" in text
    assert f"readiness:{uid_of(0)}" in text
    assert "Not charged, and why" in study
    assert gone.status_code == 404
    assert "This exception is gone" in gone.text


def test_several_are_put_right_with_one_confirmation_and_the_result_is_shown(desk: Desk) -> None:
    # given
    listed = desk.listed()
    both = [listed[Kind.DOUBLED], listed[Kind.REFUSED]]
    with desk.running.browser("north", "billing-1") as client:
        # when
        sent = desk.decide(client, both)

        # then
        assert sent.text.count("Sent, waiting for the result.") == 2
        told = {fact.payload.exception_id: fact for fact in desk.intake.facts()
                if isinstance(fact.payload, ChargeExceptionDecided)}  # fmt: skip
        assert set(told) == {one.found.exception_id for one in both}
        assert {fact.source.name for fact in told.values()} == {"billing-1"}
        assert "Sent, waiting for the result" in client.get(DAY_PAGE).text

        desk.follow()
        assert client.get(str(sent.url)).text.count("✓ Done.") == 2


def test_a_doubled_tap_makes_each_fact_once(desk: Desk) -> None:
    doubled = desk.listed()[Kind.DOUBLED]
    pick = f"{doubled.found.exception_id}:{doubled.mark}"
    with desk.running.browser("north", "billing-1") as client:
        shown = desk.post(client, "confirm", what="right", pick=[pick]).text
        first, second = desk.send(client, shown), desk.send(client, shown)

    assert first.url == second.url
    assert len(desk.intake.facts()) == 1


def test_what_another_decided_meanwhile_is_shown_and_not_overwritten(desk: Desk) -> None:
    # given: two people see the same, and one is faster
    doubled = desk.listed()[Kind.DOUBLED]
    pick = f"{doubled.found.exception_id}:{doubled.mark}"
    with (
        desk.running.browser("north", "billing-1") as billing,
        desk.running.browser("north", "lead-1") as lead,
    ):
        asked = desk.post(
            lead, "confirm", what="accept", pick=[pick], reason="agreed (invented)"
        ).text
        desk.decide(billing, [doubled])

        # when
        late = desk.send(lead, asked).text
        again = desk.post(lead, "confirm", what="right", pick=[pick]).text

    # then
    assert "decided meanwhile" in late
    assert "north/billing-1 sent a decision" in late
    assert "Nothing of this can be done" in again
    assert len(desk.intake.facts()) == 1


def test_a_second_person_countersigns_and_never_the_one_who_decided(desk: Desk) -> None:
    # given: above the group's amount, decided by a lead
    with (
        desk.running.browser("north", "lead-1") as lead,
        desk.running.browser("north", "lead-all") as other,
        desk.running.browser("north", "billing-1") as billing,
    ):
        first = desk.decide(lead, [desk.listed()[Kind.DOUBLED]])
        assert "waiting" in first.text
        desk.follow()
        waits = desk.listed()[Kind.DOUBLED]
        assert waits.found.status is Status.WAITS_FOR_SECOND
        pick = f"{waits.found.exception_id}:{waits.mark}"

        # then: not oneself, not billing
        own = desk.post(lead, "confirm", what="countersign", pick=[pick])
        assert "You decided it yourself" in own.text
        tap = "0123456789abcdef"
        assert desk.post(billing, "countersign", pick=[pick], tap=tap).status_code == 403

        # and another lead may
        desk.decide(other, [waits], what="countersign")
        desk.follow()
    assert Kind.DOUBLED not in desk.listed() or (
        desk.listed()[Kind.DOUBLED].found.status is Status.UNDER_WAY
    )


def test_to_leave_something_as_it_is_needs_a_reason(looked_at: Desk) -> None:
    missing = looked_at.listed()[Kind.MISSING]
    with looked_at.running.browser("north", "billing-1") as client:
        pick = f"{missing.found.exception_id}:{missing.mark}"
        refused = looked_at.post(client, "confirm", what="accept", pick=[pick])
        assert refused.status_code == 422
        assert "needs a reason" in refused.text
        nothing = looked_at.post(client, "confirm", what="right", pick=[])
        assert nothing.status_code == 422


def test_one_that_intake_does_not_take_is_named_and_the_others_go_out(desk: Desk) -> None:
    # given: the second fact cannot be told, for its exception is gone by then
    listed = desk.listed()
    good, bad = listed[Kind.DOUBLED], listed[Kind.UNSUPPORTED]
    with desk.running.browser("north", "billing-1") as client:
        picks = [f"{one.found.exception_id}:{one.mark}" for one in (good, bad)]
        shown = desk.post(client, "confirm", what="right", pick=picks).text
        desk.day.read([one for one in desk.day.held if one.line_id != "L-hand"])
        desk.day.reconcile()

        # when
        sent = desk.send(client, shown).text

    # then
    assert "1 of 2 is not done" in sent
    assert "It is gone" in sent
    assert len(desk.intake.facts()) == 1


def test_what_nobody_answered_is_sent_again_as_the_same_fact(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given: intake is away, and nothing is known
    doubled = desk.listed()[Kind.DOUBLED]
    away = httpx.Client(base_url="http://127.0.0.1:9", timeout=2)
    with desk.running.browser("north", "billing-1") as client:
        with monkeypatch.context() as patched:
            patched.setattr(desk.running.console.door, "_client", away)
            sent = desk.decide(client, [doubled])
        assert "? Not known if it is done." in sent.text
        assert desk.listed()[Kind.DOUBLED].deed is None

        # when: it is back, and one sends again, twice
        batch = str(sent.url).partition("batch=")[2]
        again = desk.post(client, "again", batch=batch)
        desk.post(client, "again", batch=batch)

        # then
        assert "Sent, waiting for the result." in again.text
        assert len(desk.intake.facts()) == 1
        with desk.running.browser("north", "lead-1") as other:
            assert "Send again" not in desk.post(other, "again", batch=batch).text


def test_a_study_is_released_before_it_is_closed(desk: Desk) -> None:
    with desk.running.browser("north", "billing-1") as client:
        page = client.get(DAY_PAGE).text
        (pick,) = re.findall(rf'name="pick" value="({re.escape(uid_of(5))}:\w+)"', page)
        shown = desk.post(client, "confirm", what="release", pick=[pick])
        assert "let the charges of the study go out" in shown.text
        sent = desk.send(client, shown.text)
        assert "Sent, waiting for the result." in sent.text
        desk.follow()
        assert "✓ Done." in client.get(str(sent.url)).text

    (fact,) = desk.intake.facts()
    assert fact.payload == ChargesReleased(study_instance_uid=uid_of(5))


def test_an_open_page_is_told_that_it_is_old(desk: Desk) -> None:
    with desk.running.browser("north", "billing-1") as client:
        text = client.get(DAY_PAGE).text
        found = re.search(r'hx-get="([^"]*/changed[^"]*)"', text)
        assert found is not None
        address = unescape(found[1])
        assert "Something changed" not in client.get(address).text
        desk.decide(client, [desk.listed()[Kind.DOUBLED]])
        assert "Something changed" in client.get(address).text


def test_exports_hold_what_the_page_shows_and_no_formula(looked_at: Desk) -> None:
    with looked_at.running.browser("north", "billing-1") as client:
        text = client.get(f"{DESK}/export/day.csv?day={DAY}&table=exceptions")
        narrow = client.get(f"{DESK}/export/day.csv?day={DAY}&table=exceptions&kind=doubled")
        book = client.get(f"{DESK}/export/day.xlsx?day={DAY}")
        month = client.get(f"{DESK}/export/month.xlsx?month=2026-03")
        assert client.get(f"{DESK}/export/day.pdf?day={DAY}").status_code == 404

    rows = list(csv.DictReader(io.StringIO(text.content.decode("utf-8-sig"))))
    assert len(rows) == len(looked_at.listed())
    assert "'=desk-2" in {row["entered by"] for row in rows}
    assert len(list(csv.DictReader(io.StringIO(narrow.content.decode("utf-8-sig"))))) == 1
    sheets = openpyxl.load_workbook(io.BytesIO(book.content))
    assert sheets.sheetnames == ["exceptions", "totals", "differences", "studies", "not charged"]
    (total,) = list(sheets["totals"].iter_rows(min_row=2, values_only=True))
    assert total[-1] == "yes"
    days = openpyxl.load_workbook(io.BytesIO(month.content))["days"]
    assert days.max_row == 2


def test_the_month_has_tables_beside_its_drawings_and_the_group_its_sites(looked_at: Desk) -> None:
    with looked_at.running.browser("north", "billing-1") as client:
        page = client.get(f"{DESK}/month?month=2026-03").text
        drawn = client.get(f"{DESK}/plots/money?month=2026-03&currency=EUR")
        assert client.get(f"{DESK}/plots/money?month=2026-03&currency=USD").status_code == 404
    with looked_at.running.browser("north", "lead-all") as client:
        group = client.get("/charges?month=2026-03").text
        one_day = client.get(f"/charges?day={DAY + timedelta(days=1)}").text

    assert page.count("✓ yes") == 1
    assert drawn.headers["content-type"].startswith("image/svg+xml")
    assert "<title" in drawn.text
    assert "Without charges: Invented Hospital South" in group
    assert "Nothing of this time" in one_day
