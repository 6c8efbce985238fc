"""Words as the fonts of a PDF can show them: an archive page may hold no character without one."""

import json
import unicodedata
from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any, Final

import typst

LONGEST_RUN: Final = 60
"""A longer word may be broken at any place, so that it does not leave the page."""

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


def showable(content: Any) -> Any:
    """Give JSON content with each string as it can be shown.

    A character that no font here has is written by its Unicode number, ``[U+1F9B7]``.
    """
    seen = {one for text in _strings(content) for one in text if ord(one) > 0x17F}
    seen |= {one for text in _strings(content) for one in text if ord(one) < 0xA0}
    return _mapped(content, {one: f"[U+{ord(one):04X}]" for one in _not_showable(seen)})


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


def _not_showable(characters: Iterable[str]) -> list[str]:
    plain = [
        one for one in characters if one in _TURNS or unicodedata.category(one) in _WITHOUT_MEANING
    ]
    asked = [one for one in characters if ord(one) > 0x17F and one not in plain]
    return plain + _without_font(tuple(sorted(asked)))


def _without_font(characters: Sequence[str]) -> list[str]:
    """Halve until each character that no font has stands alone: most often one try."""
    if not characters or _fonts_have(tuple(characters)):
        return []
    if len(characters) == 1:
        return list(characters)
    half = len(characters) // 2
    return _without_font(characters[:half]) + _without_font(characters[half:])


@cache
def _fonts_have(characters: tuple[str, ...]) -> bool:
    # After a letter, for a mark that joins the letter before it shows nothing by itself.
    told = json.dumps([f"a{one}" for one in characters])
    try:
        typst.compile(
            _PROBE, format="pdf", sys_inputs={"characters": told}, pdf_standards=["a-2a", "ua-1"]
        )
    except typst.TypstError:
        return False
    return True
