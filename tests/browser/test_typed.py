"""What somebody types outlasts the end of their session, for them alone."""

from __future__ import annotations

from playwright.sync_api import BrowserContext, Page, expect

from tests.browser.desk import Desk
from tests.console_support import PASSWORD

FORM = "/operations/group/site"
TITLE = "Invented Hospital East"


def sign_in_here(page: Page, name: str) -> None:
    """Sign in by the form that is shown, and go on where it leads."""
    page.get_by_label("Site").select_option("north")
    page.get_by_label("Your short name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def type_title(desk: Desk, page: Page) -> None:
    """Type into the form, and wait for the answer that the session goes on."""
    page.goto(f"{desk.url}{FORM}")
    with page.expect_response("**/session/stay") as stayed:
        page.get_by_label("Name for people").press_sequentially(TITLE)
    assert stayed.value.status == 204, "typing counts as a tap"


def test_what_was_typed_when_the_session_ended_is_put_back_and_nothing_was_sent(
    desk: Desk, page: Page, context: BrowserContext
) -> None:
    # given: a form half filled in, and the session gone
    desk.sign_in(page, "admin-all")
    type_title(desk, page)
    context.clear_cookies(name="console_session")

    # when
    page.get_by_role("button", name="Look at the difference").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("You are not signed in")
    page.goto(f"{desk.url}{FORM}")
    sign_in_here(page, "admin-all")

    # then
    page.wait_for_url(f"{desk.url}{FORM}")
    expect(page.get_by_text("What you had typed is back.")).to_be_visible()
    expect(page.get_by_label("Name for people")).to_have_value(TITLE)


def test_nobody_else_finds_it(desk: Desk, page: Page, context: BrowserContext) -> None:
    # given
    desk.sign_in(page, "admin-all")
    type_title(desk, page)
    context.clear_cookies(name="console_session")

    # when: another person goes on in this tab, then the first one comes back
    page.goto(f"{desk.url}{FORM}")
    page.wait_for_url("**/sign-in?**")
    sign_in_here(page, "lead-all")
    expect(page.get_by_role("heading", level=1)).to_contain_text("not for your role")
    page.wait_for_function("sessionStorage.getItem('gomphosis.typed') === null")
    page.get_by_role("button", name="Switch person").click()
    page.wait_for_url("**/sign-in?**")
    sign_in_here(page, "admin-all")

    # then
    page.wait_for_url(f"{desk.url}{FORM}")
    expect(page.get_by_label("Name for people")).to_have_value("")
