"""All that is known of one study's note."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload
from services.notes.content import SignedNote

Fact = Message[Payload]


@dataclass(frozen=True, slots=True)
class NoteFile:
    """All that is known of one study's note.

    ``facts`` are kept by natural key; while there is no assessment they wait for it.
    ``written`` tells by revision what the record would hold of it; ``accepted_revision`` is the
    highest that the record took.
    """

    assessment: StudyAssessed | None = None
    facts: Mapping[str, Fact] = field(default_factory=lambda: MappingProxyType({}))
    signed: SignedNote | None = None
    written: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))
    accepted_revision: int = 0


def in_order(facts: Mapping[str, Fact]) -> list[Fact]:
    """Give facts in the order in which they occurred."""
    return sorted(facts.values(), key=lambda fact: (fact.occurred_at, fact.natural_key))
