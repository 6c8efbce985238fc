"""The charge desk in a browser, over an invented day with one exception of each kind."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from schemas.group import load_group
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.browser.desk import Desk
from tests.browser.looking import look
from tests.charges_day import DAY, ChargesDay

DAY_PAGE = f"/sites/north/charges?day={DAY}"


@pytest.fixture(scope="module")
def told(desk: Desk) -> Desk:
    folder = desk.log.parent
    store = Store(Settings(data_dir=folder, group_dir=folder).store_url)
    ChargesDay(store, load_group(folder)).play()
    store.close()
    return desk


def test_the_biller_goes_through_the_exceptions_by_keyboard(told: Desk, page: Page) -> None:
    # given
    told.sign_in(page, "billing-1")
    page.goto(f"{told.url}{DAY_PAGE}")
    expect(page.get_by_role("heading", level=1)).to_have_text("Charges on Monday 2 March 2026")
    expect(page.get_by_text("Balances to the cent").first).to_be_visible()
    look(page, "charges")

    # when: down two lines, each ticked, then the one below opened
    page.get_by_role("checkbox", name="Tick: ").first.focus()
    page.keyboard.press("Space")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Space")
    assert page.locator("[data-picks] [data-line] input:checked").count() == 2
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")

    # then: its evidence
    expect(page.get_by_role("heading", name="What it rests on")).to_be_visible()
    page.go_back()
    page.get_by_role("link", name="Evidence of").nth(1).click()
    page.wait_for_url("**/charges/exceptions/**")
    expect(page.get_by_role("heading", name="What it rests on")).to_be_visible()
    look(page, "charges-exception")


def test_one_confirmation_lists_what_will_be_told_and_names_what_was_not(
    told: Desk, page: Page
) -> None:
    # given
    told.sign_in(page, "billing-1")
    page.goto(f"{told.url}{DAY_PAGE}")

    # when
    page.get_by_text("Tick all that are shown").click()
    page.get_by_role("button", name="Put right what is ticked").press("Enter")

    # then
    expect(page.get_by_role("heading", level=1)).to_have_text("This will be told")
    expect(page.get_by_role("button", name="Tell it, as Invented Billing")).to_be_focused()
    look(page, "charges-confirm")

    # and no intake runs here, so that of none it is known
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("What became of it")
    expect(page.get_by_text("? Not known if it is done.").first).to_be_visible()
    look(page, "charges-sent")


def test_a_studys_charges_show_what_each_rests_on(told: Desk, page: Page) -> None:
    told.sign_in(page, "billing-1")
    page.goto(f"{told.url}{DAY_PAGE}")

    page.get_by_role("link", name="Its charges of Brindle").click()
    page.locator("summary").first.press("Enter")

    expect(page.get_by_text("Rule of the tariff").first).to_be_visible()
    look(page, "charges-study")


def test_the_month_and_the_groups_sites_are_drawn_and_told(told: Desk, page: Page) -> None:
    # given: somebody who sees every site
    told.sign_in(page, "lead-all")
    page.goto(f"{told.url}/sites/north/charges/month?month=2026-03")
    drawn = page.get_by_role("img", name="Due and held on each day")
    expect(drawn).to_be_visible()
    assert drawn.evaluate("image => image.complete && image.naturalWidth > 0")
    look(page, "charges-month")

    # when
    page.get_by_role("link", name="All sites").click()

    # then
    expect(page.get_by_role("rowheader", name="Invented Hospital North")).to_be_visible()
    look(page, "charges-group")
