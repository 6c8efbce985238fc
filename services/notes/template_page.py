"""Where a value stands in a page: only as words, never where a browser would read it as markup.

Escaping makes words of a text between tags. It does not in an unquoted attribute, a link, a
style or a comment, so no text may stand there. Nor has a note's page any script, form or frame.
"""

import re
from collections.abc import Sequence
from html.parser import HTMLParser
from typing import Final

from services.notes.template_language import BOUNDARY, NUMBER, TOKEN, Fault, Piece

# fmt: off
_FORBIDDEN: Final = frozenset({
    "applet", "audio", "base", "button", "embed", "form", "frame", "frameset", "iframe", "img",
    "input", "link", "math", "object", "script", "select", "svg", "template", "textarea", "video",
})
# fmt: on
_LINKS: Final = frozenset({"href", "src", "srcset", "action", "formaction", "data", "poster"})
_END: Final = "z"
_SAFE: Final = {TOKEN, NUMBER}


def check_page(pieces: Sequence[Piece]) -> list[Fault]:
    """Find the values and the markup that may not stand where they do, by the template's line."""
    mark = _mark(pieces)
    page = _Page(pieces, mark)
    page.feed(_with_marks(pieces, mark))
    page.end()
    return sorted(set(page.faults))


def _mark(pieces: Sequence[Piece]) -> str:
    """Choose letters that the template has nowhere: a mark must read like a name or a word."""
    own = "".join(piece.text or "" for piece in pieces).lower()
    mark = "value"
    while mark in own:
        mark += "x"
    return mark


def _with_marks(pieces: Sequence[Piece], mark: str) -> str:
    """Put the pieces together with a mark for each value, keeping to the template's lines."""
    page: list[str] = []
    line = 1
    for at, piece in enumerate(pieces):
        page.append("\n" * (piece.line - line))
        line = max(line, piece.line)
        text = f"{mark}{at}{_END}" if piece.text is None else piece.text
        page.append(text)
        line += text.count("\n")
    return "".join(page)


class _Page(HTMLParser):
    def __init__(self, pieces: Sequence[Piece], mark: str) -> None:
        super().__init__()
        self._pieces = pieces
        self._mark = re.compile(f"{mark}([0-9]+){_END}", re.IGNORECASE)
        self._style = False
        self.faults: list[Fault] = []

    def end(self) -> None:
        """Finish the page; a tag that does not end would take in whatever follows."""
        rest = self.rawdata
        if "<" in rest:
            self._fault(self.getpos()[0], "a tag that does not end", "a whole tag")
            self._no_value(rest, "a part of a tag")
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        line = self.getpos()[0]
        self._style = tag == "style"
        self._no_value(tag, "the name of a tag")
        if tag in _FORBIDDEN:
            self._fault(line, f"<{tag}>", "a page of words: no script, form, frame or link to load")
        for name, value in attrs:
            self._no_value(name, "the name of an attribute")
            text = value or ""
            if name.startswith("on") or name in {"style", "http-equiv"}:
                self._fault(line, f"the attribute {name}", "none that acts, loads or hides")
            if name in _LINKS and not text.startswith("#"):
                self._fault(line, f"{name}={text[:40]!r}", "a place in the page itself (#...)")
            for piece in self._values(text):
                if piece.kind == BOUNDARY:
                    self._fault(piece.line, f"a condition or loop in the attribute {name}", _WHOLE)
                elif piece.kind not in _SAFE or name in _LINKS:
                    self._fault(piece.line, f"a value in the attribute {name}", _AS_WORDS)

    def handle_endtag(self, tag: str) -> None:
        self._style = False
        self._no_value(tag, "the name of a tag")

    def handle_data(self, data: str) -> None:
        values = self._values(data)
        if not self._style:
            return
        for piece in values:
            self._fault(piece.line, "a value in a style", _AS_WORDS)
        if "@import" in data or "url(" in data.lower() or "\\" in data:
            self._fault(self.getpos()[0], "a style that loads something", "colours and measures")

    def handle_comment(self, data: str) -> None:
        self._no_value(data, "a comment")

    def handle_decl(self, decl: str) -> None:
        self._no_value(decl, "a declaration")

    def unknown_decl(self, data: str) -> None:
        self._no_value(data, "a declaration")

    def handle_pi(self, data: str) -> None:
        self._no_value(data, "an instruction")

    def _no_value(self, text: str, where: str) -> None:
        for piece in self._values(text):
            if piece.kind == BOUNDARY:
                self._fault(piece.line, f"a condition or loop in {where}", _WHOLE)
            else:
                self._fault(piece.line, f"a value as {where}", _AS_WORDS)

    def _values(self, text: str) -> list[Piece]:
        return [self._pieces[int(mark)] for mark in self._mark.findall(text)]

    def _fault(self, line: int, found: str, expected: str) -> None:
        self.faults.append(Fault(line, found, expected))


_WHOLE: Final = "it around whole tags; in an attribute a choice: {{ 'a' if b else 'c' }}"
_AS_WORDS: Final = "it between tags, as words; an attribute takes only names, numbers and hashes"
