"""Each line of the list of what to teach, in words, with the address of the figures behind it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from services.console.lead.asked import LeadAsked
from services.console.lead.lines import begin_at
from services.console.lead.names import Names
from services.console.lead.teach import Finding
from services.console.paging import PAGE_ROWS
from services.console.views_lead import By

WHAT_FIRST: Final = {
    By.VIEW: "Look at rejected images of this view together, and practise its positioning.",
    By.OPERATOR: "Ask first: which views and which animals were they? Then offer time and help.",
    By.DEVICE: "Look at the device before the people: wear, settings, its last constancy test.",
    By.SITE: "Ask the site's own lead; look at its views and devices first.",
}
"""Invented words for what is common practice, with no published source."""


@dataclass(frozen=True, slots=True)
class ToldLine:
    """All that was found of one line, the greatest first."""

    findings: tuple[Finding, ...]
    kind: str
    words: str
    first: str
    behind: str


@dataclass(frozen=True, slots=True)
class ToldList:
    """The first lines of a ranked list, and how many follow them in the workbook."""

    lines: tuple[ToldLine, ...]
    further: int


def told_list(findings: Sequence[Finding], asked: LeadAsked, names: Names) -> ToldList:
    """Put ranked findings into words, as many lines as one looks through at once.

    What is of one line stands where its greatest is.
    """
    by_line: dict[tuple[By, str], list[Finding]] = {}
    for one in findings:
        by_line.setdefault((one.by, one.name), []).append(one)
    shown = list(by_line.items())[:PAGE_ROWS]
    lines = tuple(
        ToldLine(
            tuple(some),
            "person" if by is By.OPERATOR else by.value,
            names.of(by, name),
            WHAT_FIRST[by],
            behind(some[0], asked),
        )
        for (by, name), some in shown
    )
    return ToldList(lines, len(by_line) - len(lines))


def behind(one: Finding, asked: LeadAsked) -> str:
    """Give the address of the figures that a finding rests on: its own, or its line in a list."""
    if one.by is By.SITE:
        return LeadAsked(asked.first, asked.last, By.VIEW, one.name).address()
    by = By.VIEW if one.by is By.OPERATOR else By.DEVICE if one.by is By.VIEW else By.VIEW
    narrowed = asked.narrowed(one.by.value, one.name, by)
    return narrowed or asked.address(by=one.by, after=begin_at(one.images))
