"""A note as text and as one accessible HTML page without script, for screen and paper.

The templates are the group's own where its folder ``notes`` has them, else the packaged ones.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, Self

import structlog
from jinja2 import Template, TemplateError

from schemas.errors import GomphosisError, InvalidInput
from schemas.group import Site
from services.notes.abbreviations import Abbreviation, load_abbreviations
from services.notes.note_now import NoteNow
from services.notes.template_language import Fault, check_language, environment
from services.notes.template_page import check_page
from services.notes.view import Form, view_of

log = structlog.get_logger(__name__)

MOST_OUTPUT: Final = MappingProxyType({Form.FULL: 200_000, Form.SHORT: 100_000})
"""A text is at most so long; a page twice that, for its markup."""

TEXT, HTML = "txt", "html"
NAMES: Final = MappingProxyType(
    {(form, medium): f"{form.value}.{medium}.j2" for form in Form for medium in (TEXT, HTML)}
)


class TooLong(GomphosisError):  # noqa: N818 - read as a sentence
    """A template made more of a note than may be told."""


def check_template(source: str, *, html: bool) -> list[Fault]:
    """Find everything that is wrong in a template, by its lines; a good one has none."""
    faults, pieces = check_language(source)
    if html:
        faults += check_page(pieces)
    return sorted(faults)


@dataclass(frozen=True, slots=True)
class NoteTemplates:
    """The templates of a group, compiled, and the abbreviations that it knows."""

    own: Mapping[tuple[Form, str], Template]
    known: tuple[Abbreviation, ...]

    @classmethod
    def load(cls, folder: Path | None = None) -> Self:
        """Read the group's folder, which may be missing.

        Raises InvalidInput for a file that no form has, and for a template with a fault: its
        line, what was found there and what was expected.
        """
        own = {}
        if folder is not None and folder.is_dir():
            known = {name: key for key, name in NAMES.items()}
            for file in sorted(folder.glob("*.j2")):
                if file.name not in known:
                    raise InvalidInput(str(file), file.name, f"one of {', '.join(known)}")
                own[known[file.name]] = read_template(file, html=known[file.name][1] == HTML)
        else:
            folder = None
        return cls(MappingProxyType(own), load_abbreviations(folder))

    def text(self, note: NoteNow, site: Site, form: Form = Form.FULL) -> str:
        """Render plain text."""
        return self._render(note, site, form, TEXT)

    def html(self, note: NoteNow, site: Site, form: Form = Form.FULL) -> str:
        """Render one HTML page; every text is escaped."""
        return self._render(note, site, form, HTML)

    def _render(self, note: NoteNow, site: Site, form: Form, medium: str) -> str:
        view = view_of(note, site, form, self.known)
        most = MOST_OUTPUT[form] * (2 if medium == HTML else 1)
        own = self.own.get((form, medium))
        if own is not None:
            try:
                return bounded_render(own, view, most)
            except (TemplateError, TypeError, TooLong) as error:
                # One note is never held up by a template: it goes out in the packaged form.
                log.error("own_template_failed", template=NAMES[form, medium], reason=str(error))
        return bounded_render(_packaged(medium), view, most)


def read_template(file: Path, *, html: bool) -> Template:
    """Read and check a template (InvalidInput)."""
    try:
        source = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InvalidInput(str(file), str(error), "a file in UTF-8 that can be read") from error
    faults = check_template(source, html=html)
    if faults:
        first, more = faults[0], len(faults) - 1
        expected = f"{first.expected} (and {more} more)" if more else first.expected
        raise InvalidInput(f"{file}: line {first.line}", first.found, expected)
    return environment(html=html).from_string(source)


def bounded_render(template: Template, view: Mapping[str, Any], most: int) -> str:
    """Render up to so many characters; TooLong beyond."""
    made: list[str] = []
    left = most
    for piece in template.generate(view):
        left -= len(piece)
        if left < 0:
            raise TooLong(f"the template makes more than {most} characters of this note")
        made.append(piece)
    return "".join(made)


@lru_cache
def _packaged(medium: str) -> Template:
    source = (files("services.notes") / "templates" / f"note.{medium}.j2").read_text("utf-8")
    return environment(html=medium == HTML).from_string(source)
