"""``gomphosis preview-note``: a template checked, and an invented note in it."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer
from jinja2 import TemplateError

from schemas.errors import InvalidInput
from schemas.facts import WeightUnit
from schemas.group import Site
from services.notes.abbreviations import load_abbreviations
from services.notes.preview import invented_note
from services.notes.render import (
    HTML,
    MOST_OUTPUT,
    NAMES,
    TooLong,
    bounded_render,
    check_template,
)
from services.notes.template_language import environment
from services.notes.view import Form, view_of
from services.runtime.cli.exits import Exit, plain_errors, stderr


def preview_note(
    template: Annotated[
        Path, typer.Option("--template", help="The template; a page's name ends in .html.j2.")
    ],
    form: Annotated[Form, typer.Option(help="The form that it is for.")] = Form.FULL,
    locale: Annotated[str | None, typer.Option(help="As a site's: en_GB, de_AT.")] = None,
    weight_unit: Annotated[WeightUnit | None, typer.Option(help="As a site's.")] = None,
    signed: Annotated[
        bool, typer.Option("--signed", help="Show the note signed and addended.")
    ] = False,
) -> None:
    """Check a group's template and render an invented study's note in it.

    Each fault names its line, what was found there and what was expected. Exit code 4: the
    template has faults. A good one lies in the group's folder notes/, as full.txt.j2,
    full.html.j2, short.txt.j2 or short.html.j2.

    Example: gomphosis preview-note --template group/notes/full.html.j2 --locale de_AT
    """
    with plain_errors():
        page = template.name.endswith(f".{HTML}.j2") or template.suffix == ".html"
        source = _read(template)
        site = invented_site(locale, weight_unit)
        faults = [str(fault) for fault in check_template(source, html=page)]
        shown = ""
        if not faults:
            own = template.parent if template.name in NAMES.values() else None
            known = load_abbreviations(own)
            compiled = environment(html=page).from_string(source)
            notes = invented_note(site)
            most = MOST_OUTPUT[form] * (2 if page else 1)
            # Both are tried; what is shown is the one that was asked for.
            for note in (notes.draft, notes.signed):
                try:
                    made = bounded_render(compiled, view_of(note, site, form, known), most)
                    shown = made if (note is notes.signed) == signed else shown
                except (TemplateError, TypeError, TooLong) as error:
                    faults.append(f"found {error}; expected a template that renders")
    if faults:
        for fault in faults:
            stderr.print(f"{template}: {fault}", markup=False)
        raise typer.Exit(Exit.CHECK_FAILED)
    typer.echo(shown)


def _read(template: Path) -> str:
    try:
        return template.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InvalidInput("--template", str(template), f"a file in UTF-8 ({error})") from error


def invented_site(locale: str | None, weight_unit: WeightUnit | None) -> Site:
    """Make an invented site that writes in this manner (InvalidInput)."""
    people = [
        {"name": "vet-1", "title": "Invented Vet", "roles": ["vet"]},
        {"name": "trainee-1", "title": "Invented Trainee", "roles": ["trainee"]},
    ]
    manner: dict[str, Any] = {"locale": locale, "weight_unit": weight_unit, "people": people}
    try:
        return Site.model_validate_json(json.dumps(Site.EXAMPLES[0] | manner))
    except ValueError as error:
        expected = "a locale of the Unicode CLDR (en_GB, de_AT)"
        raise InvalidInput("--locale", locale, expected) from error
