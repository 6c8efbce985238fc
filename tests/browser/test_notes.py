"""The notes desk in a browser, before a whole hospital that really runs."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, Route, expect

from demo.hospital import running_hospital
from tests.browser.looking import look
from tests.chairside_day import SITE
from tests.notes_day import HOSTILE, NotesDay, password_of

VIEWS = ("max-incisors", "max-canine-r", "max-premolars-r")


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[NotesDay]:
    folder = tmp_path_factory.mktemp("hospital")
    with running_hospital(folder, GOMPHOSIS_CONSOLE__TAPS_PER_MINUTE="10000") as hospital:
        one = NotesDay(hospital)
        yield one
        one.close()


def sign_in(day: NotesDay, page: Page, name: str) -> None:
    page.goto(f"{day.url}/sign-in")
    page.get_by_label("Your short name").fill(name)
    page.get_by_label("Password").fill(password_of(name))
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{day.url}/sites/{SITE}")


def open_note(day: NotesDay, page: Page, study: str) -> None:
    page.goto(f"{day.url}{day.address(study)}")
    expect(page.get_by_role("heading", level=1)).to_be_visible()


def test_a_note_is_read_beside_its_pictures_written_in_and_signed(
    day: NotesDay, page: Page
) -> None:
    # given
    study = day.finished(1, "Pepper", VIEWS)
    day.finished(2, "Miso")
    sign_in(day, page, "vet-1")
    page.get_by_role("link", name="Notes desk").first.click()
    page.wait_for_url("**/notes")
    look(page, "notes-list")
    page.get_by_role("link", name="Pepper").click()
    pictures = page.locator("aside img")
    expect(pictures).to_have_count(3)
    wide = "image => image.decode().then(() => image.naturalWidth)"
    assert all(one.evaluate(wide) > 0 for one in pictures.all())
    look(page, "note-draft")

    # when: a finding is kept
    finding = page.get_by_label("What the vet writes of the right maxilla")
    finding.fill("Invented finding, for the test only.")
    expect(page.get_by_text("Saved in this browser, not kept in the note yet.")).to_be_visible()
    page.reload()
    expect(finding).to_have_value("Invented finding, for the test only.")
    section = page.locator("#section-findings-maxilla-right")

    # then: nobody signs beside words that are not kept
    page.get_by_label("Your password").fill(password_of("vet-1"))
    page.keyboard.press("Enter")
    expect(page.get_by_text("Not signed: words that you typed are not kept")).to_be_visible()
    expect(finding).to_be_focused()
    section.get_by_role("button", name="Keep this change").click()
    expect(page.get_by_text("Written by Invented Vet (vet-1)")).to_be_visible()
    expect(page.get_by_text("Found again in this browser")).to_have_count(0)

    # when: a drafted section is corrected
    page.locator("#section-indication summary").click()
    page.get_by_label("In your words").first.fill("Told anew, invented.")
    page.locator("#section-indication").get_by_role("button", name="Keep this change").click()
    expect(page.get_by_text("What Invented Vet (vet-1) changed of the draft")).to_be_visible()
    look(page, "note-corrected")

    # when
    page.get_by_label("Your password").fill(password_of("vet-1"))
    page.keyboard.press("Enter")

    # then: the next note, and the result of this one
    expect(page.get_by_role("heading", level=1)).to_contain_text("Miso")
    expect(page.locator("#sent")).to_contain_text("Signed.")
    assert day.note(study).signer == "vet-1"
    open_note(day, page, study)
    look(page, "note-signed")
    page.get_by_role("link", name="Print view").click()
    page.wait_for_url("**/print")
    page.emulate_media(media="print")
    look(page, "note-print")


def test_notes_are_signed_one_after_the_other_by_keyboard_alone(day: NotesDay, page: Page) -> None:
    # given
    names = ["Anis", "Basil", "Curry", "Dill"]
    studies = [day.finished(10 + number, name) for number, name in enumerate(names)]
    sign_in(day, page, "vet-1")
    page.goto(f"{day.url}{day.address(studies[0])}?show=signature")

    # when
    for name in names:
        expect(page.get_by_role("heading", level=1)).to_contain_text(name)
        page.keyboard.press("Alt+s")
        expect(page.get_by_label("Your password")).to_be_focused()
        page.keyboard.type(password_of("vet-1"))
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", level=1)).not_to_contain_text(name)

    # then
    for study in studies:
        day.wait(study, lambda found: found.note.signer == "vet-1", "the signature")


def changed_while_held(day: NotesDay, page: Page, study: str, text: str, asked: str) -> Route:
    """Change the open note, and hold the first answer to what the page asks then."""
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    page.route(asked, hold, times=1)
    with page.expect_request(asked):
        day.amended(study, "interpretation", text)
    while not held:
        page.wait_for_timeout(20)
    return held[0]


def test_words_typed_while_the_note_is_fetched_anew_are_not_lost(day: NotesDay, page: Page) -> None:
    # given: the note has changed, and the answer that shows it so is under way
    study = day.finished(15, "Hyssop")
    sign_in(day, page, "vet-1")
    open_note(day, page, study)
    answer = changed_while_held(day, page, study, "Words of another vet, invented.", "**/now?**")

    # when: somebody opens two sections and types
    page.locator("#section-views > details > summary").click()
    page.locator("#section-indication summary").click()
    words = page.locator("#section-indication textarea")
    words.fill("Told")
    answer.continue_()
    notice = page.get_by_text("This note has changed since you opened it.")
    expect(notice).to_be_visible()
    words.press_sequentially(" anew")

    # then: nothing is taken away, before the change is asked for and after
    expect(words).to_have_value("Told anew")
    page.get_by_role("button", name="Show it as it is now").click()
    expect(page.get_by_text("Words of another vet, invented.").first).to_be_visible()
    expect(notice).to_be_hidden()
    expect(words).to_have_value("Told anew")
    expect(page.locator("#section-views > details")).to_have_attribute("open", "")

    # and where two answers come close upon each other
    page.evaluate(
        """() => {
          const note = document.getElementById("note");
          const content = note.innerHTML.replaceAll(' open=""', "");
          const tell = (event) => htmx.trigger(note, event, { target: note });
          for (let answers = 0; answers < 2; answers++) {
            tell("htmx:beforeSwap");
            note.innerHTML = content;
            tell("htmx:afterSwap");
          }
          tell("htmx:afterSettle");
        }"""
    )
    expect(words).to_have_value("Told anew")
    expect(page.locator("#section-views > details")).to_have_attribute("open", "")


def test_no_change_is_missed_that_comes_while_an_earlier_one_is_shown(
    day: NotesDay, page: Page
) -> None:
    # given: the note has changed, and what the server said of that is under way
    study = day.finished(16, "Sorrel")
    sign_in(day, page, "vet-1")
    open_note(day, page, study)
    answer = changed_while_held(day, page, study, "First words, invented.", "**/standing?**")
    early = answer.fetch()

    # when: it changes again before that arrives
    day.amended(study, "interpretation", "Second words, invented.")
    page.wait_for_timeout(500)  # the page hears of it
    answer.fulfill(response=early)

    # then: the page shows the newest, and knows it
    expect(page.get_by_text("Second words, invented.").first).to_be_visible()
    page.wait_for_function(
        """() => document.getElementById("standing").dataset.stamp
          === document.querySelector("#note [data-stamp]").dataset.stamp""",
        timeout=30_000,
    )


def test_a_note_that_changed_while_it_was_read_is_not_signed(day: NotesDay, page: Page) -> None:
    # given: open before, changed since, and the page is kept from hearing of it
    study = day.finished(20, "Elder")
    sign_in(day, page, "vet-1")
    page.route("**/live?**", lambda route: route.abort())
    open_note(day, page, study)
    page.get_by_label("Your password").fill(password_of("vet-1"))
    day.amended(study, "interpretation", "Words of another vet, invented.")

    # when
    page.keyboard.press("Enter")

    # then
    expect(page.get_by_role("alert")).to_contain_text("Nothing was signed")
    expect(page.locator("ins")).to_contain_text("Words of another vet, invented.")
    look(page, "note-changed")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Elder")
    assert day.note(study).signer is None


def test_what_others_wrote_is_shown_as_text_and_runs_nowhere(day: NotesDay, page: Page) -> None:
    # given
    study = day.finished(30, f"Fennel {HOSTILE}"[:64])
    day.amended(study, "interpretation", HOSTILE)
    day.amended(study, "indication", HOSTILE)
    day.refused_by_record(study, HOSTILE)
    sign_in(day, page, "vet-1")

    # when, then: on every page that shows it
    for more in ("", "/print", "/compare"):
        page.goto(f"{day.url}{day.address(study)}{more}")
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        expect(page.get_by_text("onerror=").first).to_be_visible()
        assert page.evaluate("window.owned") is None
        assert page.locator("main script, img[src=x]").count() == 0
    page.goto(f"{day.url}/sites/{SITE}/notes?show=refused")
    expect(page.get_by_role("listitem").get_by_text("onerror=").first).to_be_visible()
    assert page.evaluate("window.owned") is None
    open_note(day, page, study)
    look(page, "note-refused")


def test_a_technician_reads_and_has_nothing_to_sign_with(day: NotesDay, page: Page) -> None:
    study = day.finished(40, "Ginger")
    sign_in(day, page, "tech-1")
    open_note(day, page, study)

    expect(page.get_by_text("corrected and signed by a licensed vet of this site")).to_be_visible()
    expect(page.locator("main button", has_text="Sign")).to_have_count(0)
    expect(page.locator("textarea, input[type=password]")).to_have_count(0)
