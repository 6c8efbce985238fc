"""What every page of the console does, seen in a browser."""

from __future__ import annotations

from playwright.sync_api import BrowserContext, Page, expect

from tests.browser.desk import Desk
from tests.browser.looking import look
from tests.console_support import PASSWORD


def test_one_signs_in_and_out_by_keyboard_alone(desk: Desk, page: Page) -> None:
    # given: the cursor waits in the name
    page.goto(desk.url)
    expect(page.get_by_label("Your short name")).to_be_focused()

    # when
    page.keyboard.type("technician-1")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")

    # then
    expect(page.get_by_role("heading", level=1)).to_have_text("Invented Hospital North")
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the page")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()

    # and out again
    button = page.get_by_role("button", name="Sign out", exact=True)
    for _ in range(12):
        page.keyboard.press("Shift+Tab")
        if button.evaluate("button => button === document.activeElement"):
            break
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("You are signed out")


def test_a_wrong_password_is_told_in_words(desk: Desk, page: Page) -> None:
    # when
    page.goto(f"{desk.url}/sign-in")
    page.get_by_label("Your short name").fill("vet-1")
    page.get_by_label("Password").fill("an invented wrong one")
    page.get_by_role("button", name="Sign in").click()

    # then
    expect(page.get_by_role("alert")).to_contain_text("do not belong together")
    expect(page.get_by_label("Your short name")).to_have_value("vet-1")
    expect(page.get_by_label("Password")).to_have_value("")
    look(page, "sign-in-wrong")


def test_a_shared_tablet_goes_from_hand_to_hand(desk: Desk, page: Page) -> None:
    # given
    desk.sign_in(page, "technician-1", shared=True)
    look(page, "home")

    # when
    page.get_by_role("button", name="Switch person").click()
    again = page.get_by_role("link", name="Invented Technician")
    expect(again).to_be_visible()
    look(page, "switch")
    again.click()
    expect(page.get_by_label("Password")).to_be_focused()
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")

    # then: back where the other was
    page.wait_for_url(f"{desk.url}/sites/north")


def test_a_session_that_ends_soon_says_so_and_one_tap_goes_on(desk: Desk, page: Page) -> None:
    # given: on a shared tablet of this console the session ends after 50 s
    desk.sign_in(page, "technician-1", shared=True)

    # then
    notice = page.get_by_role("alert")
    expect(notice).to_contain_text("You are signed out soon")
    look(page, "ends-soon")
    with page.expect_response("**/session/stay") as answered:
        page.get_by_role("button", name="Stay signed in").click()
    assert answered.value.status == 204


def test_an_ended_session_leads_to_the_form_and_back(
    desk: Desk, page: Page, context: BrowserContext
) -> None:
    # given
    desk.sign_in(page, "technician-1")

    # when: the session is gone
    context.clear_cookies(name="console_session")
    page.goto(f"{desk.url}/sites/north")
    page.get_by_label("Your short name").fill("technician-1")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")

    # then
    page.wait_for_url(f"{desk.url}/sites/north")


def test_the_dark_theme_is_chosen_by_a_button_and_stays(desk: Desk, page: Page) -> None:
    # given
    page.goto(f"{desk.url}/sign-in")
    ground = "() => getComputedStyle(document.body).backgroundColor"
    assert page.evaluate(ground) == "rgb(255, 255, 255)"

    # when
    page.get_by_role("button", name="Theme: as the device").click()

    # then
    assert page.evaluate(ground) == "rgb(11, 13, 15)"
    page.reload()
    expect(page.get_by_role("button", name="Theme: dark")).to_be_visible()
    assert page.evaluate(ground) == "rgb(11, 13, 15)"


def test_without_a_connection_the_page_says_so_until_it_is_back(
    desk: Desk, page: Page, context: BrowserContext
) -> None:
    # given
    desk.sign_in(page, "technician-1")
    notice = page.get_by_text("Not connected.")
    expect(notice).to_be_hidden()

    # when, then
    context.set_offline(True)
    expect(notice).to_be_visible()
    context.set_offline(False)
    expect(notice).to_be_hidden()


def test_a_page_of_another_site_is_refused_in_words_with_what_to_do(desk: Desk, page: Page) -> None:
    desk.sign_in(page, "technician-1")

    page.goto(f"{desk.url}/sites/south")

    expect(page.get_by_role("heading", level=1)).to_contain_text("not for your role or your site")
    expect(page.get_by_text("What to do:")).to_be_visible()
    look(page, "not-yours")
