"""All that is known of one study's note."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts.desk import PostingOutcome
from services.notes.content import SignedNote

Fact = Message[Payload]


@dataclass(frozen=True, slots=True, order=True)
class RecordSaid:
    """What the record said to a revision, and when; of two answers the later one counts."""

    at: datetime
    outcome: PostingOutcome
    words: str = ""


@dataclass(frozen=True, slots=True)
class NoteFile:
    """All that is known of one study's note.

    ``facts`` are kept by natural key; while there is no assessment they wait for it.
    ``written`` tells by revision what the record would hold of it, ``reports`` the UID of its
    structured report, ``answers`` what the record said to it last.
    """

    assessment: StudyAssessed | None = None
    facts: Mapping[str, Fact] = field(default_factory=lambda: MappingProxyType({}))
    signed: SignedNote | None = None
    written: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))
    reports: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))
    answers: Mapping[int, RecordSaid] = field(default_factory=lambda: MappingProxyType({}))

    def holds(self, digest: str) -> bool:
        """Tell whether the newest revision that the record took says this."""
        taken = [at for at, said in self.answers.items() if said.outcome is PostingOutcome.ACCEPTED]
        return self.written.get(max(taken, default=0)) == digest

    def refusal_of(self, digest: str) -> tuple[int, str] | None:
        """Give the revision that the record refused last, and its words, where it says this."""
        newest = max(self.answers, default=0)
        if self.written.get(newest) != digest:
            return None
        said = self.answers[newest]
        return (newest, said.words) if said.outcome is PostingOutcome.REJECTED else None


def in_order(facts: Mapping[str, Fact]) -> list[Fact]:
    """Give facts in the order in which they occurred."""
    return sorted(facts.values(), key=lambda fact: (fact.occurred_at, fact.natural_key))
