"""The lead's figures as files: CSV of what the page shows, and a workbook with the rest."""

from typing import Final

from fastapi.responses import Response

from schemas.errors import InvalidInput
from services.console.lead.asked import LeadAsked
from services.console.lead.asking import (
    TARGETS,
    TellsQuestion,
    Told,
    asked_of,
    may_name_people,
    names_of,
    too_dear,
)
from services.console.lead.files import figures_csv, figures_workbook
from services.console.lead.reading import Figures, read_every_line, read_taught
from services.console.pages.attachments import attachment
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting


def give_csv(visit: Visiting, told: TellsQuestion) -> Response:
    """Give every line of the figures as CSV."""
    asked, found = _for_file(visit, told)
    content = figures_csv(found.page.rows, asked.by, names_of(visit, asked), TARGETS)
    return _file(content, asked, "csv")


def give_workbook(visit: Visiting, told: TellsQuestion) -> Response:
    """Give the figures as a workbook: cautions, figures, reasons, doses, what to teach."""
    asked, found = _for_file(visit, told)
    people = may_name_people(visit, asked.site)
    taught = None
    if not asked.only:
        with visit.console.store.read() as connection:
            taught, _ = read_taught(connection, asked, TARGETS.least_images, people=people)
    names = names_of(visit, asked)
    content = figures_workbook(asked, found.page.rows, found.reasons, taught, names, TARGETS)
    return _file(content, asked, "xlsx")


def _for_file(visit: Visit, told: Told) -> tuple[LeadAsked, Figures]:
    """Read what a file holds (Trouble 403 or 422)."""
    asked = asked_of(visit, told)
    try:
        with visit.console.store.read() as connection:
            return asked, read_every_line(connection, asked)
    except InvalidInput as error:
        happened = too_dear(error, asked)["happened"]
        raise Trouble(422, happened, "Ask for whole months, or for fewer days.") from error


def _file(content: bytes, asked: LeadAsked, ending: str) -> Response:
    name = f"figures-{asked.site or 'all'}-{asked.first}-{asked.last}-by-{asked.by.value}.{ending}"
    return attachment(content, name)


_FILES: Final = (("figures.csv", give_csv), ("figures.xlsx", give_workbook))
ROUTES: Final = (
    *(("GET", f"/lead/{name}", give) for name, give in _FILES),
    *(("GET", f"/sites/{{site}}/lead/{name}", give) for name, give in _FILES),
)
