"""How people, teeth, times and long lists are put into words."""

from collections.abc import Iterable, Sequence

from schemas.conclusions import NoteWritten
from schemas.group import Person, Site

MAX_SECTION_CHARACTERS = 6_000
"""A drafted section is cut here, so that a whole note stays well within its message."""

EMPTY, EMPTY_PROMPT = "Empty.", "Empty: the vet has written nothing here."
"""What stands in place of a section's text where there is none."""


def person_of(site: Site, name: str) -> Person | None:
    """Find a member of the site's staff."""
    return next((person for person in site.people if person.name == name), None)


def title_of(site: Site, name: str) -> str:
    """Give a person's title alone, else the short name."""
    person = person_of(site, name)
    return person.title if person else name


def named(site: Site, name: str) -> str:
    """Give a person's title and short name."""
    person = person_of(site, name)
    return f"{person.title} ({name})" if person else name


def standing(note: NoteWritten) -> str:
    """Say in a command's answer how a note stands, and that more is proposed than it says."""
    more = "; an addendum is proposed, which is not in it" if note.addendum_proposal else ""
    return f"{note.state}, revision {note.revision}{more}"


def teeth_words(teeth: Sequence[int]) -> str:
    """List teeth by their numbers, in order."""
    if not teeth:
        return "no teeth named"
    word = "tooth" if len(teeth) == 1 else "teeth"
    return f"{word} {', '.join(str(tooth) for tooth in sorted(set(teeth)))}"


def by_number(character: str) -> str:
    """Name a character that cannot be written by its Unicode number."""
    return f"[U+{ord(character):04X}]"


def ended(words: str) -> str:
    """End words with one full stop."""
    return f"{words.rstrip(' .')}."


def bounded(lines: Iterable[str]) -> str:
    """Join lines; say how many are left out where they would be too long."""
    kept: list[str] = []
    rest = list(lines)
    room = MAX_SECTION_CHARACTERS
    while rest and room >= len(rest[0]) + 1:
        room -= len(rest[0]) + 1
        kept.append(rest.pop(0))
    if rest:
        kept.append(f"({len(rest)} more lines are left out here; the study's data holds them.)")
    return "\n".join(kept)
