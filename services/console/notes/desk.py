"""One note as its page shows it: read at once from the read model, with what was sent of it."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from sqlalchemy import Connection

from schemas.conclusions import NoteSection, SectionDifference, StudyAssessed
from schemas.facts import NoteAmended, NoteSigned
from schemas.group import Site
from services.console.accounts import Account
from services.console.answers import Answer
from services.console.chairside.teeth import ToothChart, ToothGroup, tooth_charts, tooth_groups
from services.console.notes import words
from services.console.notes.following import deeds_of_note
from services.console.notes.lists import Shown, beside
from services.console.notes.outcomes import Deed, Outcome
from services.console.views_chairside import ToothState, tooth_states
from services.console.views_notes import NotePage, one_note


@dataclass(frozen=True, slots=True)
class SectionShown:
    """A section with what its page needs. ``text_sha256`` goes with a change of it.

    ``written``: what stands in the text area. ``region``: of a finding's prompt. ``difference``: of
    a person's words to the draft. ``coming``: the newest change that was sent and is not in it.
    """

    section: NoteSection
    amendable: bool
    written: str
    text_sha256: str
    region: str | None
    difference: SectionDifference | None
    coming: Deed | None

    @property
    def is_empty_prompt(self) -> bool:
        return self.section.for_vet and not self.section.text.strip()


@dataclass(frozen=True, slots=True)
class OnDesk:
    """Everything of one note."""

    page: NotePage
    sections: tuple[SectionShown, ...]
    deeds: tuple[Deed, ...]
    allowed: words.Allowed
    before: str | None
    after: str | None
    now: datetime

    @property
    def changes_coming(self) -> bool:
        """Tell whether something that would change the note has no result yet."""
        return any(one.outcome is Outcome.SENT for one in self.deeds)

    @property
    def signature_coming(self) -> bool:
        return any(
            one.outcome is Outcome.SENT and isinstance(one.sent.fact, NoteSigned)
            for one in self.deeds
        )

    @property
    def stamp(self) -> str:
        """Change with all that the page would show otherwise."""
        open_deeds = sum(one.outcome is Outcome.SENT for one in self.deeds)
        told = sum(one.outcome is Outcome.REFUSED for one in self.deeds)
        study = self.page.study.revision if self.page.study is not None else 0
        refused = int(self.page.line.refused is not None)
        return f"{self.page.note.revision}.{study}.{open_deeds}.{told}.{refused}"

    @property
    def empty_prompts(self) -> list[str]:
        return [one.section.title for one in self.sections if one.is_empty_prompt]

    @property
    def first_prompt(self) -> str | None:
        """Name the first section that the vet has left empty."""
        return next((one.section.section for one in self.sections if one.is_empty_prompt), None)

    @property
    def answers(self) -> list[tuple[str, Answer]]:
        """What the record said to each posting, the newest first."""
        return sorted(self.page.answers.items(), key=lambda one: one[1], reverse=True)


def on_desk(
    connection: Connection, site: Site, study: str, account: Account, shown: Shown, now: datetime
) -> OnDesk | None:
    """Read one note; None where none is known."""
    page = one_note(connection, site.name, study)
    if page is None:
        return None
    deeds = deeds_of_note(connection, site.name, study, page.note, page.answers, now)
    place = (connection, site.name, shown, study, page.line.since)
    return OnDesk(
        page,
        tuple(_section(page, one, deeds) for one in page.note.sections),
        tuple(deeds),
        words.allowed(page.note, account, site),
        beside(*place, forward=False),
        beside(*place, forward=True),
        now,
    )


def _section(page: NotePage, section: NoteSection, deeds: list[Deed]) -> SectionShown:
    coming = next((one for one in deeds if _is_change_of(one, section)), None)
    written = words.own_words(page.note, section)
    if coming is not None and coming.outcome is Outcome.DONE:
        coming = None
    fact = coming.sent.fact if coming is not None else None
    if isinstance(fact, NoteAmended):
        written = fact.text
    return SectionShown(
        section,
        words.is_amendable(section),
        written,
        words.text_sha256(section),
        words.region_words(section),
        next((one for one in page.note.differences if one.section == section.section), None),
        coming,
    )


def _is_change_of(one: Deed, section: NoteSection) -> bool:
    """Only the newest change of a section counts; ``deeds`` has it first."""
    fact = one.sent.fact
    return isinstance(fact, NoteAmended) and fact.section == section.section


_TEETH_WORDS: Final = {
    ToothState.COVERED: "shown by a diagnostic view (disc)",
    ToothState.MISSING: "not shown by a diagnostic view (question mark)",
    ToothState.NEEDS_PERSON: "its view waits for a person's answer (exclamation mark)",
    ToothState.EXCUSED: "not shown, its views are excused (two bars)",
    ToothState.ABSENT: "charted as absent (cross)",
}
"""Not the board's words: in a note a 'missing' tooth would be one that is not in the mouth."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """The tooth charts of a study, with each state's teeth in words."""

    charts: tuple[ToothChart, ...]
    groups: tuple[ToothGroup, ...]


def drawn(study: StudyAssessed | None) -> Drawn:
    """Lay the tooth charts out; none where the study or its species is not known."""
    if study is None:
        return Drawn((), ())
    states = tooth_states(study)
    groups = (replace(one, words=_TEETH_WORDS[one.state]) for one in tooth_groups(states))
    return Drawn(tooth_charts(study, states, frozenset()), tuple(groups))
