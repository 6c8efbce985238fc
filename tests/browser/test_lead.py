"""The lead's view in a browser, over an invented half-year."""

from __future__ import annotations

import csv
import io

import pytest
from playwright.sync_api import Page, expect

from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.browser.desk import Desk
from tests.browser.looking import look, violations
from tests.lead_year import tell_a_half_year

PERIOD = "first=2026-01-01&last=2026-06-30"


@pytest.fixture(scope="module")
def told(desk: Desk) -> Desk:
    folder = desk.log.parent
    store = Store(Settings(data_dir=folder, group_dir=folder).store_url)
    tell_a_half_year(store)
    store.close()
    return desk


def test_a_lead_reads_the_figures_of_a_site_and_follows_a_line(told: Desk, page: Page) -> None:
    # given
    told.sign_in(page, "lead-1")
    page.get_by_role("link", name="Figures and teaching").first.click()

    # when: the period is chosen by keyboard
    page.get_by_label("From").fill("2026-01-01")
    page.get_by_label("To", exact=True).fill("2026-06-30")
    page.get_by_role("button", name="Show").press("Enter")

    # then
    expect(page.get_by_role("heading", level=1)).to_contain_text("2026-01-01 to 2026-06-30")
    expect(page.get_by_role("region", name="Table by view")).to_contain_text("max-premolars-r")

    # and one line's own figures
    page.get_by_role("link", name="(max-premolars-r)").click()
    expect(page.get_by_text("Only:")).to_be_visible()
    expect(page.get_by_role("heading", name="By person")).to_be_visible()
    look(page, "lead")


def test_what_to_teach_leads_to_the_figures_behind_it(told: Desk, page: Page) -> None:
    # given
    told.sign_in(page, "lead-1")
    page.goto(f"{told.url}/sites/north/lead/teach?{PERIOD}")
    expect(page.get_by_role("heading", name="Invented Trainee (trainee-1)").first).to_be_visible()
    look(page, "lead-teach")

    # when
    link = page.get_by_role(
        "link", name="The figures behind it: Invented Trainee (trainee-1), rejected"
    )
    link.focus()
    page.keyboard.press("Enter")

    # then
    expect(page.locator("p.narrowed")).to_contain_text("(trainee-1)")


def test_a_lead_of_all_sites_compares_them(told: Desk, page: Page) -> None:
    told.sign_in(page, "lead-all")

    page.goto(f"{told.url}/lead?{PERIOD}&by=site")

    expect(page.get_by_role("rowheader", name="Invented Hospital South (south)")).to_be_visible()


def test_days_are_shown_a_quarter_at_a_time(told: Desk, page: Page) -> None:
    # given: a period that holds no whole months
    told.sign_in(page, "lead-1")
    page.goto(f"{told.url}/sites/north/lead?first=2026-01-02&last=2026-06-30&by=time")
    parts = page.get_by_role("navigation", name="Parts of the period").get_by_role("link")
    first = page.get_by_role("rowheader").first.inner_text()
    assert parts.count() > 1
    expect(parts.first).to_have_attribute("aria-current", "true")

    # when
    parts.last.focus()
    page.keyboard.press("Enter")

    # then
    expect(parts.last).to_have_attribute("aria-current", "true")
    expect(page.get_by_role("rowheader", name=first)).to_have_count(0)
    look(page, "lead-days")


def test_a_question_that_is_too_dear_is_told_with_what_can_be_asked(told: Desk, page: Page) -> None:
    # given
    told.sign_in(page, "lead-1")

    # when
    page.goto(f"{told.url}/sites/north/lead?first=2023-01-01&last=2026-06-30&view=max-premolars-r")

    # then
    expect(page.get_by_role("alert")).to_contain_text("1277 single days")
    assert violations(page) == []
    page.get_by_role("link", name="Whole months, all together").click()
    expect(page.get_by_role("heading", name="By view")).to_be_visible()


def test_the_figures_are_saved_as_csv(told: Desk, page: Page) -> None:
    # given
    told.sign_in(page, "lead-1")
    page.goto(f"{told.url}/sites/north/lead?{PERIOD}&by=device")

    # when
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save as CSV").click()

    # then
    rows = list(csv.DictReader(io.StringIO(saved.value.path().read_text(encoding="utf-8"))))
    assert saved.value.suggested_filename == "figures-north-2026-01-01-2026-06-30-by-device.csv"
    assert {"sensor-a", "sensor-b"} <= {row["code"] for row in rows}
