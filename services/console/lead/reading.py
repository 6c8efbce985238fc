"""What a lead's page reads of the figures for one question, in one go.

Where lines are many (sites, days) they are put in order by two counts alone, and only those of the
page are summed whole.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from sqlalchemy import Connection

from schemas.quality.rates import Trend
from services.console.lead.asked import LeadAsked
from services.console.lead.figure_lines import FigureLine, together
from services.console.lead.lines import Ranked, page_of_lines
from services.console.lead.tables import SITE_COUNTS
from services.console.lead.teach import Taught, what_to_teach
from services.console.paging import Page
from services.console.views_lead import (
    Asked,
    By,
    figures_by,
    named_lines,
    reject_reasons,
    reject_trend,
    sums_by,
)

_MANY: Final = frozenset({By.SITE, By.TIME})


@dataclass(frozen=True, slots=True)
class Figures:
    """``together`` None: nothing was imaged then. ``page``: the lines that are shown; ``ranked``:
    all of them in order, whole or by their counts alone."""

    together: FigureLine | None
    page: Page[FigureLine]
    ranked: Sequence[Ranked]
    reasons: Mapping[str, int]
    trend: Trend | None


class Rank(NamedTuple):
    name: str
    images: int
    missing_views: int


def read_figures(connection: Connection, asked: LeadAsked) -> Figures:
    """Read all that a page of figures shows.

    Raises InvalidInput where that would be too dear, and for a place that no page gave.
    """
    question = asked.question
    if asked.by in _MANY:
        ranked: Sequence[Ranked] = _ranks(connection, question, asked.by)
        whole: FigureLine | None = figures_by(connection, question, By.ALL)[0]
        page = _page_of_many(connection, asked, ranked)
    else:
        ranked = lines = figures_by(connection, question, asked.by)
        whole, page = together(lines), page_of_lines(lines, asked)
    return Figures(_imaged(whole), page, ranked, *_of_rejects(connection, question))


def read_every_line(connection: Connection, asked: LeadAsked) -> Figures:
    """Read the same with all lines whole on one page. Raises InvalidInput as above."""
    lines = figures_by(connection, asked.question, asked.by)
    rejects = _of_rejects(connection, asked.question)
    return Figures(_imaged(together(lines)), Page(lines), lines, *rejects)


def read_taught(
    connection: Connection, asked: LeadAsked, least: int, *, people: bool
) -> tuple[Taught | None, Mapping[By, tuple[FigureLine, ...]]]:
    """Read what to teach and the lines that it rests on. Raises InvalidInput as above."""
    if asked.site is None:
        kinds = [By.SITE, By.VIEW]
    else:
        kinds = [By.VIEW, By.DEVICE, *([By.OPERATOR] if people else [])]
    question = Asked(asked.first, asked.last, asked.question.sites)
    lines = {by: figures_by(connection, question, by, SITE_COUNTS) for by in kinds}
    whole = _imaged(together(lines[By.VIEW]))
    return (None if whole is None else what_to_teach(whole, lines, least)), lines


def _ranks(connection: Connection, question: Asked, by: By) -> list[Rank]:
    sums = sums_by(connection, question, by, ("images", "missing_views"))
    ranks = [Rank(name, told["images"], told["missing_views"]) for name, told in sums.items()]
    if by is By.TIME:
        return sorted(ranks)
    return sorted(ranks, key=lambda one: (-one.images, one.name))


def _page_of_many(
    connection: Connection, asked: LeadAsked, ranked: Sequence[Ranked]
) -> Page[FigureLine]:
    page = page_of_lines(ranked, asked)
    if not page.rows:
        return Page(())
    names = [one.name for one in page.rows]
    return Page(named_lines(connection, asked.question, asked.by, names), page.next)


def _of_rejects(connection: Connection, question: Asked) -> tuple[Mapping[str, int], Trend | None]:
    return reject_reasons(connection, question), reject_trend(connection, question)


def _imaged(whole: FigureLine | None) -> FigureLine | None:
    return whole if whole is not None and (whole.images or whole.exposures) else None
