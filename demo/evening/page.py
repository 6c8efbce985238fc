"""The page that tells the day: one file with everything in it, and nothing from elsewhere."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from demo.evening.chapter import Chapter, Figure
from demo.evening.drawings import day_drawing
from demo.evening.guests import Evening


@dataclass(frozen=True, slots=True)
class Totals:
    """One hospital's books of the day, or those of all."""

    title: str
    images: int
    charged: int
    due: Decimal
    posted: Decimal
    held: Decimal


@dataclass(frozen=True, slots=True)
class Told:
    """All that the page tells."""

    evening: Evening
    chapters: Sequence[Chapter]
    totals: Sequence[Totals]
    exposures: int
    books: Sequence[Figure]
    dose_words: str
    dose: Sequence[Figure]
    why_not: str
    took_s: float


def page(told: Told) -> str:
    """Write the page."""
    here = files("demo.evening")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(here.joinpath("page.html.j2").read_text(encoding="utf-8"))
    by_time = sorted(told.chapters, key=lambda one: one.number)
    day = told.evening.day.date
    return template.render(
        css=Markup(here.joinpath("page.css").read_text(encoding="utf-8")),
        long_day=f"{day:%A} {day.day} {day:%B %Y}",
        guests=list(told.evening.guests.values()),
        chapters=by_time,
        day=day_drawing(day, by_time),
        totals=told.totals,
        together=together(told.totals),
        images=sum(one.images for one in told.totals),
        exposures=told.exposures,
        books=told.books,
        dose_words=told.dose_words,
        dose=told.dose,
        why_not=told.why_not,
        took_s=round(told.took_s),
    )


def together(totals: Sequence[Totals]) -> Totals:
    """Add the hospitals' books up."""
    return Totals(
        "Together",
        sum(one.images for one in totals),
        sum(one.charged for one in totals),
        sum((one.due for one in totals), Decimal(0)),
        sum((one.posted for one in totals), Decimal(0)),
        sum((one.held for one in totals), Decimal(0)),
    )
