"""What a lead's page reads of the figures for one question, in one go."""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection

from schemas.quality.rates import Trend
from services.console.lead.asked import LeadAsked
from services.console.lead.teach import Taught, what_to_teach
from services.console.views_lead import (
    Asked,
    By,
    FigureLine,
    figures_by,
    reject_reasons,
    reject_trend,
)


@dataclass(frozen=True, slots=True)
class Figures:
    """``together`` None: nothing was imaged then."""

    together: FigureLine | None
    lines: tuple[FigureLine, ...]
    reasons: Mapping[str, int]
    trend: Trend | None


def read_figures(connection: Connection, asked: LeadAsked) -> Figures:
    """Read all that a page of figures shows. Raises InvalidInput where that would be too dear."""
    question = asked.question
    by_time = figures_by(connection, question, By.TIME)
    lines = by_time if asked.by is By.TIME else figures_by(connection, question, asked.by)
    return Figures(
        _together(connection, question),
        lines,
        reject_reasons(connection, question),
        reject_trend(by_time),
    )


def read_taught(
    connection: Connection, asked: LeadAsked, least: int, *, people: bool
) -> tuple[Taught | None, Mapping[By, tuple[FigureLine, ...]]]:
    """Read what to teach and the lines that it rests on. Raises InvalidInput as above."""
    if asked.site is None:
        kinds = [By.SITE, By.VIEW]
    else:
        kinds = [By.VIEW, By.DEVICE, *([By.OPERATOR] if people else [])]
    question = Asked(asked.first, asked.last, asked.question.sites)
    together = _together(connection, question)
    lines = {by: figures_by(connection, question, by) for by in kinds}
    return (None if together is None else what_to_teach(together, lines, least)), lines


def _together(connection: Connection, question: Asked) -> FigureLine | None:
    found = figures_by(connection, question, By.ALL)
    return next((line for line in found if line.images or line.exposures), None)
