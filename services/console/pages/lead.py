"""The lead's view: rates, deviations, missing views and doses of a period, and what to teach."""

from collections.abc import Sequence
from typing import Any, Final

from fastapi.responses import Response

from schemas.errors import InvalidInput
from schemas.limits import load_published_reference_levels
from schemas.quality.rates import verdict_of
from services.console.console import NavEntry
from services.console.lead.asked import LeadAsked
from services.console.lead.asking import (
    KIND_WORDS,
    PEOPLE,
    TARGETS,
    TellsQuestion,
    asked_of,
    form_of,
    may_name_people,
    names_of,
    too_dear,
)
from services.console.lead.figure_lines import FigureLine
from services.console.lead.lines import VERDICTS, Ranked, rows_of, spans_of
from services.console.lead.marks import bin_words, histogram, numbered, scale_of
from services.console.lead.names import Names, reason_words
from services.console.lead.reading import Figures, read_figures, read_taught
from services.console.lead.teach import LEAST_PEOPLE
from services.console.lead.teach_words import told_list
from services.console.views_lead import By
from services.console.visit import Visit, Visiting

_MANY: Final = {
    By.SITE: "sites",
    By.VIEW: "views",
    By.DEVICE: "devices",
    By.OPERATOR: "people",
}
_LEVELS: Final = load_published_reference_levels()


def show_figures(visit: Visiting, told: TellsQuestion) -> Response:
    """Show the figures of a period by one thing."""
    asked = asked_of(visit, told)
    here = visit.request.url.path
    if asked.names_people and asked.site is not None and not here.endswith("/people"):
        # An address of its own, so that the audit says who looked at people's figures.
        return visit.go_to(asked.address(after=told.after))
    names = names_of(visit, asked)
    try:
        with visit.console.store.read() as connection:
            found = read_figures(connection, asked)
    except InvalidInput as error:
        return _refused(visit, "lead.html", asked, error)
    people = may_name_people(visit, asked.site)
    rows = found.page.rows
    scale = scale_of([line.rejects for line in rows], TARGETS.targets)
    shown = form_of(visit, asked) | {
        "too_dear": None,
        "f": found,
        "rows": rows_of(rows, asked, names, TARGETS, scale, people=people),
        "scale": scale,
        "narrowed": [(KIND_WORDS[By(k)], names.of(By(k), v)) for k, v in asked.only.items()],
        "next": asked.address(after=found.page.next) if found.page.next else None,
        "spans": _spans(found, asked),
        "reasons": [(reason_words(name), number) for name, number in found.reasons.items()],
        "verdicts": _verdicts(found.together),
        "missing": _most_missing(found.ranked, asked.by, names),
    }
    return visit.page("lead.html", **shown, **_doses(found))


def show_taught(visit: Visiting, told: TellsQuestion) -> Response:
    """Show what to teach next, with the rule and the figures behind each line."""
    asked = asked_of(visit, told)
    people = may_name_people(visit, asked.site)
    try:
        with visit.console.store.read() as connection:
            taught, lines = read_taught(connection, asked, TARGETS.least_images, people=people)
    except InvalidInput as error:
        return _refused(visit, "lead_teach.html", asked, error)
    names = names_of(visit, asked)
    shown = form_of(visit, asked) | {"too_dear": None, "taught": taught, "people": people}
    shown |= {"least_people": LEAST_PEOPLE, "words_of_many": _MANY}
    if taught is not None:
        shown["saving"] = told_list(taught.saving, asked, names)
        shown["settings"] = told_list(taught.settings, asked, names)
        shown["missing"] = _most_missing(lines[By.VIEW], By.VIEW, names)
    return visit.page("lead_teach.html", **shown)


def _verdicts(together: FigureLine | None) -> list[tuple[Any, str]]:
    if together is None:
        return []
    return [
        (one, VERDICTS[verdict_of(together.rejects, one.rate, TARGETS.least_images)])
        for one in TARGETS.targets
    ]


def _spans(found: Figures, asked: LeadAsked) -> list[tuple[str, str, str, bool]]:
    """Name the pages of many days or months: first, last, address, and whether it is this one."""
    spans = spans_of(found.ranked) if asked.by is By.TIME else []
    if len(spans) < 2:
        return []
    return [
        (first, last, asked.address(after=place), place == asked.after)
        for first, last, place in spans
    ]


def _most_missing(lines: Sequence[Ranked], by: By, names: Names) -> list[tuple[str, int]]:
    ordered = sorted(lines, key=lambda one: (-one.missing_views, one.name))
    return [(names.of(by, one.name), one.missing_views) for one in ordered[:5] if one.missing_views]


def _refused(visit: Visit, template: str, asked: LeadAsked, error: InvalidInput) -> Response:
    return visit.page(template, 422, **form_of(visit, asked), too_dear=too_dear(error, asked))


def _doses(found: Figures) -> dict[str, Any]:
    if found.together is None:
        return {"doses": None}
    doses = found.together.doses
    return {
        "doses": doses,
        "histogram": histogram(doses, _LEVELS.levels),
        "bins": [(bin_words(number), count) for number, count in enumerate(doses.bins) if count],
        "levels": numbered(_LEVELS.levels),
        "levels_note": _LEVELS.note,
    }


_PAGES: Final[Sequence[tuple[str, Any]]] = (
    ("", show_figures),
    ("/teach", show_taught),
)
ROUTES: Final = (
    *(("GET", f"/lead{path}", page) for path, page in _PAGES),
    *(("GET", f"/sites/{{site}}/lead{path}", page) for path, page in _PAGES),
    ("GET", PEOPLE, show_figures),
)
NAV: Final = (
    NavEntry(
        "/sites/{site}/lead",
        "Figures and teaching",
        "Rejects, repeats, deviations, missing views and doses of a period; what to teach next",
    ),
)
