"""Lines of figures as the lead's table shows them: a page of them, in words and with marks."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

from schemas.quality import RejectTargets
from schemas.quality.rates import Rate, Verdict, verdict_of
from services.console import paging
from services.console.lead.asked import LeadAsked
from services.console.lead.figure_lines import FigureLine
from services.console.lead.marks import BoxMark, IntervalMark, box_mark, interval_mark
from services.console.lead.names import Names
from services.console.paging import PAGE_ROWS, Page
from services.console.views_lead import By

PAGE_TIMES: Final = 92
"""Of days a quarter at a time, of months some years; the number is invented."""

_NEXT_BY = {
    By.VIEW: By.OPERATOR,
    By.OPERATOR: By.VIEW,
    By.DEVICE: By.VIEW,
    By.SPECIES: By.VIEW,
}
"""What a line is shown by, once one follows it."""


class Ranked(Protocol):
    """What a line is put in order by."""

    @property
    def name(self) -> str: ...
    @property
    def images(self) -> int: ...
    @property
    def missing_views(self) -> int: ...


R = TypeVar("R", bound=Ranked)


@dataclass(frozen=True, slots=True)
class Row:
    """``follow``: the address of the line's own figures; ``verdict``: of its rejects, in words."""

    line: FigureLine
    words: str
    follow: str | None
    verdict: str
    rejects: IntervalMark
    doses: BoxMark | None


def rows_of(
    lines: Sequence[FigureLine],
    asked: LeadAsked,
    names: Names,
    targets: RejectTargets,
    scale: float,
    *,
    people: bool,
) -> list[Row]:
    """Lay lines out. ``people``: whether people may be named in what is followed."""
    return [
        Row(
            line,
            names.of(asked.by, line.name),
            _follow(asked, line.name, people=people),
            short_verdict(line.rejects, targets),
            interval_mark(line.rejects, scale, targets.targets),
            box_mark(line.doses),
        )
        for line in lines
    ]


def page_of_lines(lines: Sequence[R], asked: LeadAsked) -> Page[R]:
    """Cut a page out of ordered lines. Raises InvalidInput for a place that no page gave."""
    if asked.by is By.TIME:
        return _page_of_times(lines, asked.after)
    rest = list(lines)
    if asked.after is not None:
        images, name = paging.place(asked.after, [int, str])
        rest = [line for line in lines if (-line.images, line.name) > (-images, name)]
    shown = tuple(rest[:PAGE_ROWS])
    more = len(rest) > PAGE_ROWS
    return Page(shown, paging.cursor(shown[-1].images, shown[-1].name) if more else None)


def _page_of_times(lines: Sequence[R], after: str | None) -> Page[R]:
    rest = list(lines)
    if after is not None:
        (name,) = paging.place(after, [str])
        rest = [line for line in lines if line.name > name]
    shown = tuple(rest[:PAGE_TIMES])
    return Page(shown, paging.cursor(shown[-1].name) if len(rest) > PAGE_TIMES else None)


def spans_of(times: Sequence[Ranked]) -> list[tuple[str, str, str | None]]:
    """Give the first and last time of each page of ordered times, and the place it begins at."""
    pages = [times[start : start + PAGE_TIMES] for start in range(0, len(times), PAGE_TIMES)]
    ends = [page[-1].name for page in pages]
    places = [None, *(paging.cursor(end) for end in ends)]
    return [
        (page[0].name, end, place) for page, end, place in zip(pages, ends, places, strict=False)
    ]


def begin_at(line_images: int) -> str:
    """Give the place from which a line with so many images is on the page."""
    return paging.cursor(line_images, "")


def short_verdict(rejects: Rate, targets: RejectTargets) -> str:
    """Say in a few words how rejects stand to the published targets."""
    if rejects.images < targets.least_images:
        return f"too few to judge (under {targets.least_images})"
    ordered = sorted(targets.targets, key=lambda one: one.rate)
    stands = {one.rate: verdict_of(rejects, one.rate, targets.least_images) for one in ordered}
    above = [rate for rate, stand in stands.items() if stand is Verdict.ABOVE]
    if above:
        return f"above {max(above):.0%}"
    within = [rate for rate, stand in stands.items() if stand is Verdict.WITHIN]
    if within:
        return f"within {min(within):.0%}"
    return "not certain"


VERDICTS = {
    Verdict.WITHIN: "within it, with the whole interval",
    Verdict.ABOVE: "above it, with the whole interval",
    Verdict.NOT_CERTAIN: "not certain: it lies in the interval",
    Verdict.TOO_FEW: "too few images to judge",
}


def _follow(asked: LeadAsked, name: str, *, people: bool) -> str | None:
    if not name or asked.by in {By.ALL, By.TIME}:
        return None
    if asked.by is By.SITE:
        return LeadAsked(asked.first, asked.last, By.VIEW, name).address()
    if asked.by is By.OPERATOR and not people:
        return None
    by = _NEXT_BY[asked.by]
    if by is By.OPERATOR and not people:
        by = By.DEVICE
    return asked.narrowed(asked.by.value, name, by)
