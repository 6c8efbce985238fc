"""A note as its message: what has grown beyond what a message may hold is refused by its size."""

import pytest

from schemas.errors import InvalidInput
from services.notes import written as module
from services.notes.lifecycle import take_fact
from services.notes.note_file import NoteFile
from services.notes.render import NoteTemplates
from services.notes.written import written
from tests.note_facts import FIRST, SITE, addendum, opened, signature_under, standing

TEMPLATES = NoteTemplates.load()


def with_addenda(count: int, letter: str) -> NoteFile:
    """A signed note with so many addenda of the greatest length."""
    file = take_fact(opened(), signature_under(opened()), SITE)
    for number in range(count):
        file = take_fact(file, addendum(letter * 10_000, minute=60 + number), SITE)
    return file


def told(file: NoteFile, revision: int = 1) -> int:
    """Give the size of the message's payload in bytes."""
    one = written(standing(file), FIRST, revision, SITE, TEMPLATES)
    return len(one.model_dump_json().encode())


def test_a_note_with_more_text_than_its_form_may_have_is_refused() -> None:
    assert told(with_addenda(8, "x")) > 5 * 80_000
    with pytest.raises(InvalidInput, match="a note that a message can hold") as caught:
        told(with_addenda(11, "x"))
    assert caught.value.field == "note"


def test_a_note_with_more_bytes_than_a_message_may_have_is_refused() -> None:
    with pytest.raises(InvalidInput, match="at most 998000 bytes") as caught:
        told(with_addenda(8, "€"))
    assert caught.value.field == "note"


def test_what_fits_to_the_byte_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    size = told(opened())

    monkeypatch.setattr(module, "_MOST_BYTES", size)
    assert told(opened()) == size

    monkeypatch.setattr(module, "_MOST_BYTES", size - 1)
    with pytest.raises(InvalidInput, match=f"{size} bytes"):
        told(opened())


def test_what_breaks_the_contract_is_refused_by_its_field() -> None:
    with pytest.raises(InvalidInput) as caught:
        told(opened(), revision=0)
    assert "revision" in caught.value.field
