"""What a lead's page reads of the figures for one question, in one go."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from schemas.quality.rates import Trend
from services.console.dose_bins import BIN_COLUMNS
from services.console.lead.asked import LeadAsked
from services.console.lead.teach import Taught, what_to_teach
from services.console.tables import COUNTS
from services.console.views_lead import (
    Asked,
    By,
    FigureLine,
    figures_by,
    reject_reasons,
    reject_trend,
    together,
)

_OF_A_TREND = ("images", "rejected")
_OF_TEACHING = tuple(name for name in COUNTS if name not in BIN_COLUMNS)


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
    lines = figures_by(connection, question, asked.by)
    by_time = lines
    if asked.by is not By.TIME:
        by_time = figures_by(connection, question, By.TIME, _OF_A_TREND)
    return Figures(
        _together(lines), lines, reject_reasons(connection, question), reject_trend(by_time)
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
    lines = {by: figures_by(connection, question, by, _OF_TEACHING) for by in kinds}
    whole = _together(lines[By.VIEW])
    return (None if whole is None else what_to_teach(whole, lines, least)), lines


def _together(lines: Sequence[FigureLine]) -> FigureLine | None:
    whole = together(lines)
    return whole if whole is not None and (whole.images or whole.exposures) else None
