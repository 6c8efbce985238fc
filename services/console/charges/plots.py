"""A month of charges as drawings: what was due and what is held, day by day. Pure.

Colours never say it alone: what is due is a filled box, what is held a diamond upon it.
"""

from calendar import monthrange
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Final

from services.console.charges.sums import Sums
from services.runtime.svg import BLACK, BLUE, GREY, ORANGE, PALE, SKY, Drawing, Scale, y_axis

_WIDTH: Final = 900.0
_LEFT, _RIGHT = 86.0, 880.0
_TOP, _BOTTOM = 70.0, 300.0
_HEIGHT: Final = 350.0


def money_plot(first: date, currency: str, days: Mapping[date, Sums]) -> str:
    """Draw what was due and what the record holds on each day of a month."""
    due = {day: one.due + one.corrections for day, one in days.items()}
    held = {day: one.held for day, one in days.items()}
    title = f"Due and held by day, {first:%Y-%m}, {currency}"
    words = (
        f"Due {sum(due.values(), Decimal())}, held {sum(held.values(), Decimal())} {currency} "
        "in the month; the table beside it has each day."
    )
    drawing = Drawing(_WIDTH, _HEIGHT, title, words)
    y = _y([*due.values(), *held.values()])
    x = _frame(drawing, first, y, title, currency)
    zero = y.at(0.0)
    for day, amount in sorted(due.items()):
        place, end = x.at(day.day), y.at(float(amount))
        drawing.box(place - 9, min(zero, end), 18, abs(end - zero), SKY, BLUE)
    for day, amount in sorted(held.items()):
        drawing.mark(x.at(day.day), y.at(float(amount)), 3, ORANGE, 4.5)
    drawing.box(600, 14, 14, 14, SKY, BLUE)
    drawing.text(620, 26, "due, with corrections")
    drawing.mark(608, 44, 3, ORANGE, 4.5)
    drawing.text(620, 48, "held by the record")
    return drawing.render()


def exceptions_plot(first: date, days: Mapping[date, int]) -> str:
    """Draw how many exceptions of each day nobody has settled."""
    title = f"Exceptions that are open, by day of work, {first:%Y-%m}"
    words = f"{sum(days.values())} in the month; the table beside it has each day."
    drawing = Drawing(_WIDTH, _HEIGHT, title, words)
    y = _y([Decimal(one) for one in days.values()])
    x = _frame(drawing, first, y, title, "open exceptions")
    zero = y.at(0.0)
    for day, number in sorted(days.items()):
        if number:
            end = y.at(float(number))
            drawing.box(x.at(day.day) - 9, end, 18, zero - end, ORANGE)
            drawing.text(x.at(day.day), end - 5, str(number), anchor="middle", size=12)
    return drawing.render()


def _y(values: Sequence[Decimal]) -> Scale:
    most = max((float(one) for one in values), default=0.0)
    least = min((float(one) for one in values), default=0.0)
    return Scale(min(0.0, 1.1 * least), max(1.0, 1.1 * most), _BOTTOM, _TOP)


def _frame(drawing: Drawing, first: date, y: Scale, title: str, unit: str) -> Scale:
    """Draw heading and axes; give the scale of the days."""
    drawing.text(_LEFT, 28, title, size=16, bold=True)
    days = monthrange(first.year, first.month)[1]
    x = Scale(0.0, days + 1.0, _LEFT, _RIGHT)
    y_axis(drawing, y, _LEFT, _RIGHT, unit)
    for day in range(1, days + 1):
        sunday = first.replace(day=day).isoweekday() == 7
        if sunday:
            drawing.line(x.at(day + 0.5), _TOP, x.at(day + 0.5), _BOTTOM, PALE)
        drawing.text(x.at(day), _BOTTOM + 18, str(day), anchor="middle", colour=GREY, size=12)
    drawing.line(_LEFT, y.at(0.0), _RIGHT, y.at(0.0), BLACK)
    drawing.text((_LEFT + _RIGHT) / 2, _BOTTOM + 38, "day of the month", anchor="middle")
    return x
