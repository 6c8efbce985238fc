"""The page of the evening, written from invented chapters; and that a wrong day makes none."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from html.parser import HTMLParser

import pytest

from demo.evening.chapter import Chapter, Figure, data_uri
from demo.evening.guests import Evening
from demo.evening.hospitals import HOUSES
from demo.evening.page import Told, Totals, page, together
from demo.evening.stage import CameOtherwise

DAY = date(2026, 3, 2)
EVENING = Evening(DAY)


def a_chapter() -> Chapter:
    chapter = Chapter(
        1, EVENING.day.moment(8, 41), "Bramble Lane, dental-1", "Pepper <&>", "A clock"
    )
    chapter.happened = chapter.system = chapter.person = chapter.record = "Invented words."
    chapter.check("the record held it once", True)
    chapter.show(Figure(data_uri("svg", b"<svg/>"), "A drawing", "Drawn", 900, 200, drawn=True))
    return chapter


def told(why_not: str = "") -> Told:
    totals = [
        Totals(house.title, 2, 1, Decimal("1.50"), Decimal("1.50"), Decimal("1.50"))
        for house in HOUSES
    ]
    return Told(EVENING, [a_chapter()], totals, 3, [], "In words.", [], why_not, 61.0)


class _Addresses(HTMLParser):
    """Every address that the page would fetch or lead to."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        del tag
        self.found += [value or "" for name, value in attrs if name in {"src", "srcset", "href"}]


def test_the_page_holds_all_of_itself_and_says_that_it_is_invented() -> None:
    written = page(told())

    addresses = _Addresses()
    addresses.feed(written)
    assert addresses.found
    assert all(one.startswith(("data:", "#")) for one in addresses.found)
    assert "url(" not in written
    assert 'content: "✓"' in written, "the style is not escaped as words are"
    assert "All of this is invented" in written
    assert "Monday 2 March 2026" in written
    assert "Pepper &lt;&amp;&gt;" in written
    assert "The record held it once." in written


def test_without_pictures_of_the_console_it_says_so_and_why() -> None:
    assert "no Chromium was found here" in page(told("no Chromium was found here"))
    assert "No pictures of the console" not in page(told())


def test_what_did_not_come_out_as_told_fails_and_is_named() -> None:
    with pytest.raises(CameOtherwise, match="08:41 Pepper <&>: expected that the sun shone"):
        a_chapter().check("the sun shone", False)


def test_the_hospitals_books_add_up() -> None:
    whole = together(told().totals)
    assert (whole.images, whole.charged) == (6, 3)
    assert (whole.due, whole.posted, whole.held) == (Decimal("4.50"),) * 3


@pytest.mark.parametrize("name", EVENING.guests)
def test_what_a_guest_must_pay_is_what_its_reckoning_says(name: str) -> None:
    guest = EVENING.guests[name]
    reckoned = re.search(
        r"([\d.]+) \+ (?:(\d+) x )?([\d.]+)(?: \+ cover| \+ 2 x 12.75)? ?", guest.sum
    )
    assert reckoned is not None
    first, count, further = reckoned.groups()
    whole = Decimal(first) + int(count or 1) * Decimal(further) + Decimal("1.20")
    assert whole == guest.held_eur
