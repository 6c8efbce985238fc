"""Words as the fonts of a PDF can show them: an archive page may hold no character without one."""

import json
import unicodedata
from collections.abc import Iterable
from functools import lru_cache
from typing import Any, Final, NamedTuple

import typst

from services.notes.wording import by_number

LONGEST_RUN: Final = 60
"""A longer word may be broken at any place, so that it does not leave the page."""
MOST_TRIES: Final = 300

_PROBE: Final = (
    b'#set document(title: "-")\n#for one in json(bytes(sys.inputs.characters)) { par(one) }'
)
_BREAK: Final = "\u200b"
# Control, surrogate, private and unassigned: no font gives them a meaning.
_WITHOUT_MEANING: Final = frozenset({"Cc", "Cs", "Co", "Cn"})
# They turn the order of what follows, so that a line would read other than it was written.
_TURNS: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def lines_of(text: str) -> list[str]:
    """Split text at its line ends; empty lines stay out."""
    return [line for line in text.replace("\t", " ").splitlines() if line.strip()]


class Showable(NamedTuple):
    """JSON content as it can be shown, and whether the fonts of this machine are needed for it.

    Without them the page is the same on every machine: the library brings fonts of its own.
    """

    content: Any
    needs_system_fonts: bool


def showable(content: Any) -> Showable:
    """Give JSON content with each string as it can be shown.

    A character that no font here has is written by its Unicode number, ``[U+1F9B7]``.
    """
    seen = {one for text in _strings(content) for one in text if not " " <= one <= "~"}
    without = {
        one for one in seen if one in _TURNS or unicodedata.category(one) in _WITHOUT_MEANING
    }
    asked = tuple(sorted(seen - without))
    needs_system_fonts = not _fonts_have(asked, system_fonts=False)
    if needs_system_fonts:
        without |= _without_font(asked)
    shown = _mapped(content, {one: by_number(one) for one in without})
    return Showable(shown, needs_system_fonts)


def _mapped(content: Any, replaced: dict[str, str]) -> Any:
    if isinstance(content, str):
        return _breakable("".join(replaced.get(one, one) for one in content))
    if isinstance(content, list):
        return [_mapped(one, replaced) for one in content]
    if isinstance(content, dict):
        return {key: _mapped(one, replaced) for key, one in content.items()}
    return content


def _breakable(text: str) -> str:
    return " ".join(
        word
        if len(word) <= LONGEST_RUN or len(word) == 64
        else _BREAK.join(word[start : start + 20] for start in range(0, len(word), 20))
        for word in text.split(" ")
    )


def _strings(content: Any) -> Iterable[str]:
    if isinstance(content, str):
        yield content
    elif isinstance(content, list | dict):
        for one in content.values() if isinstance(content, dict) else content:
            yield from _strings(one)


def _without_font(characters: tuple[str, ...]) -> set[str]:
    """Halve until each character that no font has stands alone: most often one try.

    After ``MOST_TRIES`` what is not yet known to have a font counts as having none.
    """
    waiting, without, tries = [characters], set(), 0
    while waiting:
        some = waiting.pop(0)
        tries += 1
        if tries > MOST_TRIES:
            without |= set(some)
        elif some and not _fonts_have(some, system_fonts=True):
            half = len(some) // 2
            if half:
                waiting += [some[:half], some[half:]]
            else:
                without |= set(some)
    return without


@lru_cache(maxsize=2_000)
def _fonts_have(characters: tuple[str, ...], *, system_fonts: bool) -> bool:
    # After a letter, for a mark that joins the letter before it shows nothing by itself.
    told = json.dumps([f"a{one}" for one in characters])
    try:
        typst.compile(
            _PROBE,
            ignore_system_fonts=not system_fonts,
            format="pdf",
            sys_inputs={"characters": told},
            pdf_standards=["a-2a", "ua-1"],
        )
    except typst.TypstError:
        return False
    return True
