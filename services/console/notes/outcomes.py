"""What became of what was sent of a note: on its way, done, or refused, in plain words. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from schemas.conclusions import NoteWritten
from schemas.facts import NoteAddended, NoteAmended, NoteReleased, NoteSigned
from services.console.answers import Answers, newest
from services.console.notes.sent_store import Sent

_LONG: Final = timedelta(seconds=60)
"""After so long without a result a person is told what to do. The length is invented."""


class Outcome(StrEnum):
    SENT = "sent"
    DONE = "done"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing sent, with its outcome. ``next_action``: where a person has to do something.

    ``patient_id``: whose note it is, where the note is known.
    """

    sent: Sent
    what: str
    outcome: Outcome
    words: str
    next_action: str | None = None
    patient_id: str | None = None


def deed(
    sent: Sent,
    note: NoteWritten | None,
    answers: Answers,
    refusals: Mapping[str, str],
    now: datetime,
) -> Deed:
    """Tell what became of a fact.

    ``refusals``: what the notes service expected instead, by the natural key of the fact.
    """
    outcome, words, next_action = _outcome(sent, note, answers, refusals, now)
    patient = note.patient_id if note is not None else None
    return Deed(sent, _WHAT[sent.fact.KIND], outcome, words, next_action, patient)


def _outcome(
    sent: Sent,
    note: NoteWritten | None,
    answers: Answers,
    refusals: Mapping[str, str],
    now: datetime,
) -> tuple[Outcome, str, str | None]:
    if note is not None and _is_done(sent, note, answers):
        return Outcome.DONE, _done_words(sent), None
    if sent.natural_key in refusals:
        words = f"Refused. Expected: {refusals[sent.natural_key]}."
        return Outcome.REFUSED, words, "Open the note, read it as it is now, and do it again."
    overtaken = _overtaken(sent, note)
    if overtaken is not None:
        return Outcome.REFUSED, overtaken, _LOOK
    late = now - sent.sent_at > _LONG
    return Outcome.SENT, "Sent, waiting for the result.", _WAITS if late else None


_WHAT: Final = {
    NoteSigned.KIND: "Signature",
    NoteAmended.KIND: "Change",
    NoteAddended.KIND: "Addendum",
    NoteReleased.KIND: "Release",
}
_LOOK: Final = "Open the note and look at it."
_WAITS: Final = (
    "It is kept and nothing is lost; do not do it again. If it stays so for minutes, tell who "
    "looks after the system that notes wait."
)


def _is_done(sent: Sent, note: NoteWritten, answers: Answers) -> bool:
    fact = sent.fact
    if isinstance(fact, NoteSigned):
        return any(
            one.signer == fact.signer and one.content_sha256 == fact.note_sha256
            for one in note.signatures
        )
    if isinstance(fact, NoteAddended):
        return any(one.signer == fact.signer and one.text == fact.text for one in note.addenda)
    if isinstance(fact, NoteAmended):
        return holds(note, fact)
    last = newest(answers)
    return last is not None and last.at >= sent.sent_at


def holds(note: NoteWritten, amended: NoteAmended) -> bool:
    """Tell whether a note says what was to be kept; below it stand the device data, if any."""
    own = next((one.text for one in note.sections if one.section == amended.section), None)
    return own is not None and (
        own == amended.text or own.startswith(f"{amended.text}\n\n(Written by ")
    )


def _overtaken(sent: Sent, note: NoteWritten | None) -> str | None:
    """Tell what came before it, where that makes it void for good."""
    if note is None or note.signer is None:
        return None
    if isinstance(sent.fact, NoteSigned):
        return f"Not taken: {note.signer} has signed the note before."
    if isinstance(sent.fact, NoteAmended):
        return f"Not in the note: {note.signer} had signed it. Add an addendum."
    return None


def _done_words(sent: Sent) -> str:
    fact = sent.fact
    if isinstance(fact, NoteReleased):
        return "The record has answered again."
    return {
        NoteSigned.KIND: "Signed.",
        NoteAmended.KIND: "In the note.",
        NoteAddended.KIND: "Added to the note.",
    }[fact.KIND]
