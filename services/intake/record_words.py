"""From a record's words to ours, by the group's own table; what is not in it is never guessed."""

from collections.abc import Mapping, Sequence
from typing import TypeVar

from schemas.errors import InvalidInput
from schemas.facts import Weight
from schemas.facts.order import Sex
from schemas.group import Site
from schemas.mappings.record_codes import FILE_NAME, RecordCodes
from schemas.teeth import Species

Meaning = TypeVar("Meaning")

LONGEST_SHORT_TEXT = 64
LONGEST_TEXT = 2000


class NotMapped(InvalidInput):
    """A code or word that the group's table does not hold."""


class NotOurs(Exception):  # noqa: N818 - an outcome of reading, not a fault
    """What was told concerns an animal or a study that the group has listed as not ours."""


def plan_of(codes: RecordCodes, field: str, told: Sequence[str]) -> str:
    """Find the plan of an order by its codes, the first that is listed. Raises NotOurs."""
    for code in told:
        if code in codes.orders:
            return codes.orders[code]
        if code in codes.orders_not_ours:
            raise NotOurs(field)
    raise _not_mapped(field, told, "orders", codes.orders)


def check_not_foreign(codes: RecordCodes, field: str, told: Sequence[str]) -> None:
    """Raise NotOurs for an order that is listed as not ours; an unknown code passes."""
    if any(code in codes.orders_not_ours for code in told):
        raise NotOurs(field)


def species_of(codes: RecordCodes, field: str, told: Sequence[str]) -> Species:
    """Find the species by its codes and words. Raises NotOurs."""
    species = _by_word(codes.species, told)
    if species is not None:
        return species
    not_ours = {word.casefold() for word in codes.species_not_ours}
    if any(word.casefold() in not_ours for word in told):
        raise NotOurs(field)
    raise _not_mapped(field, told, "species", codes.species)


def sex_of(codes: RecordCodes, field: str, told: str) -> tuple[Sex | None, bool | None]:
    """Give sex and neutered state by the word for sex; both unknown where none was told."""
    if not told:
        return None, None
    meaning = _by_word(codes.sexes, [told])
    if meaning is None:
        raise _not_mapped(field, [told], "sexes", codes.sexes)
    return meaning.sex, meaning.neutered


def neutered_of(codes: RecordCodes, field: str, told: Sequence[str]) -> bool | None:
    """Give the neutered state by its codes and words; unknown where none was told."""
    folded = {word.casefold(): meaning for word, meaning in codes.neutered.items()}
    for word in told:
        if word.casefold() in folded:
            return folded[word.casefold()]
    if told:
        raise _not_mapped(field, told, "neutered", codes.neutered)
    return None


def room_of(codes: RecordCodes, site: Site, field: str, told: Sequence[str]) -> str:
    """Find the room by the words of a location, or by the site's rule where none was told."""
    room = next((codes.rooms[word] for word in told if word in codes.rooms), None)
    if room is None and told:
        raise _not_mapped(field, told, "rooms", codes.rooms)
    room = room or codes.room_when_none_told
    if room is None:
        raise NotMapped(field, "", f"a location, or room_when_none_told in {FILE_NAME}")
    if room not in site.rooms:
        raise NotMapped(field, room, f"a room of {site.name}: {', '.join(site.rooms)}")
    return room


def weight_of(
    codes: RecordCodes, value_field: str, unit_field: str, value: str, unit: str
) -> Weight:
    """Read a weight and keep it in the unit in which it was told."""
    known = _by_word(codes.weight_units, [unit])
    if known is None:
        raise _not_mapped(unit_field, [unit], "weight_units", codes.weight_units)
    expected = "a weight above 0, at most 1000"
    try:
        number = float(value)
    except ValueError as error:
        raise InvalidInput(value_field, value, expected) from error
    if not 0 < number <= 1000:
        raise InvalidInput(value_field, value, expected)
    return Weight(value=number, unit=known)


def short_text(field: str, told: str) -> str | None:
    """Give a text of at most 64 characters, None for an empty one (InvalidInput)."""
    text = " ".join(told.split())
    if len(text) > LONGEST_SHORT_TEXT or "\x00" in text:
        raise InvalidInput(
            field, told, f"at most {LONGEST_SHORT_TEXT} characters, none of them NUL"
        )
    return text or None


def cut_text(told: str) -> str | None:
    """Give free text for people, cut at the contract's length and marked so."""
    text = told.replace("\x00", "").strip()
    return (text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 1] + "…") or None


def _by_word(words: Mapping[str, Meaning], told: Sequence[str]) -> Meaning | None:
    folded = {word.casefold(): meaning for word, meaning in words.items()}
    return next((folded[word.casefold()] for word in told if word.casefold() in folded), None)


def _not_mapped(
    field: str, told: Sequence[str], table: str, words: Mapping[str, object]
) -> NotMapped:
    shown = ", ".join(sorted(words)[:20]) or "none yet"
    value = told[0] if len(told) == 1 else ", ".join(told)
    return NotMapped(field, value, f"one of {table} in {FILE_NAME} ({shown})")
