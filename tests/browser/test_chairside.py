"""The board beside the patient in a browser, before a whole hospital that really runs."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Error, Locator, Page, expect

from demo.hospital import running_hospital
from schemas.conclusions import ImageUse, ViewStatus
from schemas.facts import ImageRejected, ReadinessChecked, ViewExcused
from tests.browser.looking import SCREENS, look, violations
from tests.chairside_day import PASSWORD, PERSON, SITE, ChairsideDay, study_address

pytestmark = pytest.mark.timeout(300)  # a whole hospital starts here


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ChairsideDay]:
    folder = tmp_path_factory.mktemp("hospital")
    with running_hospital(folder, GOMPHOSIS_CONSOLE__TAPS_PER_MINUTE="10000") as hospital:
        one = ChairsideDay(hospital)
        yield one
        one.close()


@pytest.fixture
def signed_in(day: ChairsideDay, page: Page) -> Page:
    page.goto(f"{day.url}/sign-in")
    page.get_by_label("Your short name").fill(PERSON)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{day.url}/sites/{SITE}")
    return page


def taps(page: Page) -> Locator:
    return page.get_by_role("region", name="Your taps").get_by_role("listitem")


def stored(page: Page) -> list[dict[str, Any]]:
    """What the browser keeps of taps, in order."""
    kept: list[dict[str, Any]] = page.evaluate(
        "Object.keys(localStorage).filter(key => key.startsWith('gomphosis.tap.'))"
        ".map(key => JSON.parse(localStorage.getItem(key))).sort((a, b) => a.number - b.number)"
    )
    return kept


def told_at(tap: dict[str, Any]) -> datetime:
    return datetime.fromtimestamp(tap["at"] / 1000, UTC)


def steady(page: Page) -> None:
    """Wait until what is under the finger is what was there a moment ago."""
    expect(page.locator("#board form[data-moved]")).to_have_count(0)


def size_of(button: Locator) -> tuple[float, float]:
    box = button.bounding_box()
    assert box is not None
    return box["width"], box["height"]


def test_the_board_shows_the_patient_on_the_table(day: ChairsideDay, signed_in: Page) -> None:
    # given: some views done, one image without its view, and one exposure released early
    page = signed_in
    study = day.order(1)
    for view in ("max-incisors", "max-canine-r", "max-premolars-r"):
        day.shoot(1, study, view)
    day.shoot(1, study, "max-molars-r", labelled=False)
    day.expose(1, "max-canine-l", share=0.3)
    day.order(2, "Miso", kg=None)
    known = day.wait_for(study, lambda one: one.dose.ended_early == 1, "the early end in the sums")

    # when
    page.goto(f"{day.url}/sites/{SITE}")
    page.get_by_role("link", name="Chairside board").first.click()
    page.wait_for_url("**/rooms**")
    page.goto(f"{page.url}?day={known.day}")  # which is not today's in the first minutes of a day
    look(page, "chairside-room")
    page.get_by_role("link", name="Pepper").click()

    # then
    expect(page.get_by_text("Images: 11 of 14 views open")).to_be_visible()
    expect(page.get_by_text("for the vet and the anaesthetist to decide").first).to_be_visible()
    expect(page.get_by_text("65 kV · 7 mA · 120 ms")).to_be_visible()
    expect(page.get_by_text("Released early.")).to_be_visible()
    expect(page.get_by_role("img", name="Tooth chart")).to_be_visible()
    look(page, "chairside-board")
    for button in page.locator("#board button, .who button").all():
        wide, high = size_of(button)
        assert min(wide, high) >= 64, button.text_content()
    # what decides something is above the fold of a tablet
    for told in ("#wake-title", "#next-title", "#newest-title", "#reject-111212", "#excuse-next"):
        box = page.locator(told).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= 768, told
    page.get_by_role("button", name="Other, or assign").click()
    expect(page.locator("#reason-111209")).to_be_enabled()
    assert violations(page) == []
    page.screenshot(path=SCREENS / "chairside-image-tablet.png")
    page.keyboard.press("Escape")
    page.locator("#excuse-next").click()
    expect(page.locator("#because-1")).to_be_enabled()
    assert violations(page) == []
    page.screenshot(path=SCREENS / "chairside-excuse-tablet.png")


def test_an_exposure_and_its_image_show_by_themselves(day: ChairsideDay, signed_in: Page) -> None:
    # given
    page = signed_in
    study = day.order(3, "Juniper")
    page.goto(study_address(day, study))
    expect(page.get_by_role("heading", name="No exposure yet")).to_be_visible()

    # when
    at = day.expose(3, "max-incisors")

    # then
    expect(page.get_by_role("heading", name="Exposure, no image yet")).to_be_visible()
    expect(page.get_by_text("1 exposure has no image yet")).to_be_visible()
    day.image(3, "max-incisors", at)
    expect(page.get_by_role("heading", name="Upper incisors, both sides")).to_be_visible()
    expect(page.get_by_text("Images: 13 of 14 views open")).to_be_visible()
    expect(page.locator("[data-said]")).to_contain_text("Upper incisors")

    # and a setting for another size of animal
    day.expose(3, "max-canine-r", animal_size="large", set_exposure_ms=140.0, exposure_ms=140.0)
    expect(page.locator("[data-alert=size-against-weight]")).to_contain_text("does not fit")


def test_one_confirms_rejects_and_takes_back_by_keyboard_alone(
    day: ChairsideDay, signed_in: Page
) -> None:
    # given
    page = signed_in
    study = day.order(4, "Tansy")
    image = day.shoot(4, study, "max-incisors")
    page.goto(study_address(day, study))

    # when
    for name in ("plane", "people", "cover"):
        page.locator(f"#ready-{name}").focus()
        page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Ready: all three confirmed")).to_be_visible()
    page.locator("#reject-111209").focus()
    page.keyboard.press("Enter")

    # then
    expect(page.get_by_text("Images: 14 of 14 views open")).to_be_visible()
    known = day.wait_for(
        study, lambda one: one.images[0].use is ImageUse.REJECTED, "the image rejected"
    )
    assert known.anaesthesia_confirmed_by == PERSON
    assert (known.people_outside_beam, known.new_sensor_cover) == (True, True)
    expect(page.get_by_text("Last decision: Image rejected: Positioning")).to_be_visible()
    steady(page)
    page.locator("#take-back").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("Images: 13 of 14 views open")).to_be_visible()
    expect(taps(page).filter(has_text="done")).to_have_count(5)
    (fact,) = day.facts(ImageRejected.KIND, study)
    assert fact.payload.sop_instance_uid == image  # type: ignore[attr-defined]


def test_taps_without_a_connection_are_kept_over_a_reload_and_told_in_order_once(
    day: ChairsideDay, signed_in: Page, context: BrowserContext
) -> None:
    # given
    page = signed_in
    study = day.order(5, "Boulder")
    page.goto(study_address(day, study))
    excuse = page.get_by_role("button", name="The vet does not want this view")

    # when: the network is cut
    context.set_offline(True)
    expect(page.get_by_text("Not connected.").first).to_be_visible()
    expect(page.get_by_text("not connected since this was read")).to_be_visible()
    page.locator("#ready-plane").click()
    page.locator("#ready-people").click()
    page.locator("#excuse-next").click()
    excuse.click()

    # then: each is shown as kept, and a page that goes away loses nothing
    expect(taps(page)).to_have_count(3)
    expect(taps(page).filter(has_text="waits for the connection")).to_have_count(3)
    look(page, "chairside-offline")
    kept = stored(page)
    assert day.facts(ReadinessChecked.KIND, study) == []
    with pytest.raises(Error):  # a page that is leaving may be connected again, by the browser
        page.reload()

    # when: the network is back
    context.set_offline(False)
    page.goto(study_address(day, study))

    # then
    expect(taps(page).filter(has_text="done")).to_have_count(3)
    first, second = day.facts(ReadinessChecked.KIND, study)
    (excused,) = day.facts(ViewExcused.KIND, study)
    assert [one.occurred_at for one in (first, second, excused)] == [told_at(one) for one in kept]
    assert first.occurred_at < second.occurred_at < excused.occurred_at < second.received_at
    assert not first.payload.people_outside_beam  # type: ignore[attr-defined]
    assert second.payload.anaesthetic_plane_confirmed  # type: ignore[attr-defined]
    known = day.wait_for(
        study, lambda one: one.views[0].status is ViewStatus.EXCUSED, "the view excused"
    )
    assert known.people_outside_beam

    # and sent a second time they make nothing more
    page.evaluate(
        "kept => { for (const one of kept) {"
        " localStorage.setItem('gomphosis.tap.' + one.tap, JSON.stringify(one)); } }",
        kept,
    )
    with page.expect_response("**/taps") as answered:
        page.reload()
    assert answered.value.json()["known"] is True
    expect(taps(page).filter(has_text="done")).to_have_count(3)
    assert len(day.facts(ReadinessChecked.KIND, study)) == 2
    assert len(day.facts(ViewExcused.KIND, study)) == 1


def test_a_tap_outlives_the_console_that_was_killed(day: ChairsideDay, signed_in: Page) -> None:
    # given
    page = signed_in
    study = day.order(6, "Miso")
    image = day.shoot(6, study, "max-incisors")
    page.goto(study_address(day, study))

    # when: the console is killed, and something is tapped before another is there
    day.kill_console()
    page.locator("#reject-111210").click()

    # then
    expect(page.get_by_text("Not connected.").first).to_be_visible()
    expect(taps(page).filter(has_text="done")).to_have_count(1)
    expect(page.get_by_text("Not connected.").first).to_be_hidden()
    expect(page.get_by_text("Last decision: Image rejected: Motion blur")).to_be_visible()
    (fact,) = day.facts(ImageRejected.KIND, study)
    assert fact.payload.sop_instance_uid == image  # type: ignore[attr-defined]


def test_a_double_tap_is_one_and_never_hits_what_moved_under_the_finger(
    day: ChairsideDay, signed_in: Page
) -> None:
    # given: two images; once the newest is rejected, its buttons are those of the other
    page = signed_in
    study = day.order(7, "Pepper")
    day.shoot(7, study, "max-incisors")
    newest = day.shoot(7, study, "max-canine-r")
    page.goto(study_address(day, study))

    # when: a button gets another aim, and the board is renewed once more before it is steady
    page.evaluate(
        """() => {
          const board = document.getElementById("board");
          const button = () => document.getElementById("reject-111209");
          const image = button().form.elements.image.value;
          const renewed = (aim) => {
            board.innerHTML = board.innerHTML.replaceAll(' data-moved="yes"', "");
            button().form.elements.image.value = aim;
            htmx.trigger(board, "htmx:afterSwap", { target: board });
          };
          renewed("2.25.1");
          button().click();
          renewed("2.25.1");
          button().click();
          renewed(image);
        }"""
    )

    # then
    expect(taps(page)).to_have_count(0)

    # when: the second tap comes in the moment in which the board has changed
    page.goto(study_address(day, study))
    page.evaluate(
        """() => {
          const button = () => document.getElementById("reject-111209");
          const rejected = button().form.elements.image.value;
          let movedAt = 0;
          document.body.addEventListener("htmx:afterSettle", () => {
            if (!button() || button().form.elements.image.value === rejected) return;
            movedAt ||= Date.now();
            if (Date.now() - movedAt < 500) button().click();
          });
          button().click();
          button().click();
        }"""
    )

    # then
    expect(page.get_by_text("Last decision: Image rejected: Positioning")).to_be_visible()
    expect(taps(page).filter(has_text="done")).to_have_count(1)
    (fact,) = day.facts(ImageRejected.KIND, study)
    assert fact.payload.sop_instance_uid == newest  # type: ignore[attr-defined]


def test_a_tap_of_somebody_else_waits_for_them(
    day: ChairsideDay, signed_in: Page, context: BrowserContext
) -> None:
    # given: a tap kept while offline
    page = signed_in
    study = day.order(8, "Juniper")
    page.goto(study_address(day, study))
    context.set_offline(True)
    page.locator("#ready-plane").click()
    expect(taps(page).filter(has_text="waits for the connection")).to_have_count(1)

    # when: another person goes on with the tablet
    context.clear_cookies(name="console_session")
    context.set_offline(False)
    page.wait_for_url("**/sign-in?why=ended&next=*")
    page.get_by_label("Your short name").fill("vet-1")
    page.get_by_label("Password").fill("invented password of vet-1")
    page.get_by_role("button", name="Sign in").click()

    # then: it is told in nobody else's name
    expect(taps(page)).to_contain_text("of Invented Technician, who has to sign in to send it")
    page.locator("#ready-cover").click()
    expect(taps(page).filter(has_text="done")).to_have_count(1)
    (fact,) = day.facts(ReadinessChecked.KIND, study)
    assert fact.source.name == "vet-1"
    assert not fact.payload.anaesthetic_plane_confirmed  # type: ignore[attr-defined]
