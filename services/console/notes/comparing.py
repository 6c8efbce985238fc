"""What differs between two states of a note's sections, word by word. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from schemas.conclusions import NoteSection, WordsRun
from services.runtime.differences import words_runs


@dataclass(frozen=True, slots=True)
class SectionChange:
    """One section that differs; ``runs`` are what stayed, went and came."""

    section: str
    title: str
    what: Literal["changed", "added", "gone"]
    runs: tuple[WordsRun, ...]


def changes_between(
    before: Sequence[NoteSection], now: Sequence[NoteSection]
) -> tuple[SectionChange, ...]:
    """Give each section that differs, in the order of the note as it is now."""
    old = {section.section: section for section in before}
    new = {section.section: section for section in now}
    found = []
    for name in [*new, *(name for name in old if name not in new)]:
        was = old[name].text if name in old else ""
        says = new[name].text if name in new else ""
        title = (new.get(name) or old[name]).title
        if name not in old:
            found.append(SectionChange(name, title, "added", words_runs("", says)))
        elif name not in new:
            found.append(SectionChange(name, title, "gone", words_runs(was, "")))
        elif was != says:
            found.append(SectionChange(name, title, "changed", words_runs(was, says)))
    return tuple(found)
