"""A schematic of an animal's teeth and how each was imaged, as SVG. Our own drawing.

Plain boxes, sized by the kind of tooth, in four quadrants as one looks at the animal's face: its
right side is on the left. State is told by border and mark, never by colour; all is black on white.
"""

from collections.abc import Iterator, Mapping
from enum import StrEnum
from typing import Final
from xml.sax.saxutils import escape

from schemas.errors import GomphosisError
from schemas.teeth import Arch, Dentition, Species, teeth_of
from schemas.tooth_layout import (
    MARGIN,
    TALLEST,
    TOP,
    MouthLayout,
    ToothBox,
    mouth_layout,
    row_of,
)


class ToothState(StrEnum):
    """What a study holds of one tooth. It says nothing about the tooth's health."""

    SHOWN = "shown"
    NOT_SHOWN = "not_shown"
    EXCUSED = "excused"
    ABSENT = "absent"
    NOT_ASKED = "not_asked"


STATE_WORDS: Final[Mapping[ToothState, str]] = {
    ToothState.SHOWN: "shown by a diagnostic view",
    ToothState.NOT_SHOWN: "not shown by a diagnostic view",
    ToothState.EXCUSED: "not shown, its views are excused",
    ToothState.ABSENT: "charted as absent",
    ToothState.NOT_ASKED: "not part of this study's plan",
}


class ChartError(GomphosisError, ValueError):
    """A state was given for a tooth that the chart does not hold."""

    def __init__(self, teeth: frozenset[int], species: Species, dentition: Dentition) -> None:
        self.field, self.value = "states", sorted(teeth)
        self.expected = f"teeth of the {species}'s {dentition} dentition"
        super().__init__(f"states {self.value}: expected {self.expected}")


# Drawing units; a chart is as many millimetres wide as its page lets it be.
_LEGEND_LINE: Final = 30
_LEAST_WIDTH: Final = 720  # the legend's longest line
_FONT: Final = "DejaVu Sans Mono, monospace"


def tooth_chart_svg(
    species: Species, dentition: Dentition, states: Mapping[int, ToothState]
) -> str:
    """Draw every tooth of the dentition once. A tooth without a state is ``NOT_ASKED``.

    Raises
    ------
    ChartError
        If a state is of a tooth that the species does not have in this dentition.
    """
    layout = mouth_layout(species, dentition, _LEAST_WIDTH)
    width = layout.width
    of_tooth = _whole(species, dentition, states)
    drawn = [
        *_axes(layout),
        *(line for box in layout.boxes for line in _tooth(box, of_tooth[box.tooth])),
        *_legend(of_tooth),
    ]
    height = _legend_top() + _LEGEND_LINE * (len(set(of_tooth.values())) - 1) + 12
    title = escape(chart_title(species, dentition))
    about = escape(chart_words(species, dentition, states))
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
            f'viewBox="0 0 {width} {height}" role="img" '
            'aria-labelledby="tooth-chart-title tooth-chart-desc">',
            f'<title id="tooth-chart-title">{title}</title>',
            f'<desc id="tooth-chart-desc">{about}</desc>',
            f'<rect width="{width}" height="{height}" fill="#fff"/>',
            *drawn,
            "</svg>\n",
        ]
    )


def chart_title(species: Species, dentition: Dentition) -> str:
    """Name the chart in words."""
    return f"Tooth chart: {species}, {dentition} teeth"


def chart_words(species: Species, dentition: Dentition, states: Mapping[int, ToothState]) -> str:
    """Tell all that the chart shows, for who cannot see it. Raises ChartError as the drawing."""
    of_tooth = _whole(species, dentition, states)
    told = [
        f"{words[0].upper()}{words[1:]}: {', '.join(str(tooth) for tooth in teeth)}."
        for state, words in STATE_WORDS.items()
        if (teeth := [tooth for tooth in sorted(of_tooth) if of_tooth[tooth] is state])
    ]
    return f"{chart_title(species, dentition)}. {' '.join(told)}"


def _whole(
    species: Species, dentition: Dentition, states: Mapping[int, ToothState]
) -> dict[int, ToothState]:
    teeth = teeth_of(species, dentition)
    if unknown := frozenset(states) - teeth:
        raise ChartError(unknown, species, dentition)
    return {tooth: states.get(tooth, ToothState.NOT_ASKED) for tooth in teeth}


def _legend_top() -> int:
    return row_of(Arch.MANDIBLE) + TALLEST + 84


def _axes(layout: MouthLayout) -> Iterator[str]:
    width, bottom = layout.width, layout.bottom
    cross = f"M{layout.middle} {TOP - 14}V{bottom}M{MARGIN} {layout.between}H{width - MARGIN}"
    yield f'<path d="{cross}" fill="none" stroke="#000" stroke-width="0.75"/>'
    for jaw, high in (("upper", 22), ("lower", bottom + 24)):
        for which, x, anchor in (("right", MARGIN, "start"), ("left", width - MARGIN, "end")):
            yield _words(f"animal's {which}, {jaw} jaw", x, high, anchor)


def _words(words: str, x: float, y: float, anchor: str, size: int = 15) -> str:
    return (
        f'<text x="{x:g}" y="{y:g}" font-family="{_FONT}" font-size="{size}" '
        f'text-anchor="{anchor}" fill="#000">{escape(words)}</text>'
    )


def _tooth(box: ToothBox, state: ToothState) -> Iterator[str]:
    yield f'<g id="tooth-{box.tooth}" data-state="{state}">'
    yield from _box(state, box.x, box.y, box.wide, box.high)
    yield _words(str(box.tooth), box.x + box.wide / 2, box.number_y, "middle")
    yield "</g>"


def _box(state: ToothState, x: float, y: float, wide: int, high: int) -> Iterator[str]:
    """Draw a rounded box whose border and mark tell the state."""
    border = {
        ToothState.SHOWN: 'stroke-width="2.5"',
        ToothState.NOT_SHOWN: 'stroke-width="2.5" stroke-dasharray="6 4"',
        ToothState.EXCUSED: 'stroke-width="1.25"',
        ToothState.ABSENT: 'stroke-width="1.25" stroke-dasharray="1.5 3.5"',
        ToothState.NOT_ASKED: 'stroke-width="0.6"',
    }[state]
    yield (
        f'<rect x="{x:g}" y="{y:g}" width="{wide}" height="{high}" rx="7" '
        f'fill="#fff" stroke="#000" {border}/>'
    )
    a, b = x + wide / 2, y + high / 2
    if state is ToothState.SHOWN:
        yield f'<circle cx="{a:g}" cy="{b:g}" r="7" fill="#000"/>'
    elif state is ToothState.NOT_SHOWN:
        yield _words("?", a, b + 7, "middle", 20)
    elif state is ToothState.EXCUSED:
        yield (
            f'<path d="M{a - 8:g} {b - 4:g}h16M{a - 8:g} {b + 4:g}h16" fill="none" '
            'stroke="#000" stroke-width="2"/>'
        )
    elif state is ToothState.ABSENT:
        yield (
            f'<path d="M{a - 7:g} {b - 7:g}l14 14M{a + 7:g} {b - 7:g}l-14 14" fill="none" '
            'stroke="#000" stroke-width="2"/>'
        )


_MARKS: Final[Mapping[ToothState, str]] = {
    ToothState.SHOWN: "heavy border, disc",
    ToothState.NOT_SHOWN: "broken border, question mark",
    ToothState.EXCUSED: "thin border, two bars",
    ToothState.ABSENT: "dotted border, cross",
    ToothState.NOT_ASKED: "hairline border, empty",
}


def _legend(states: Mapping[int, ToothState]) -> Iterator[str]:
    """Explain each mark that is used, in words, with how many teeth have it."""
    used = [state for state in STATE_WORDS if state in states.values()]
    for line, state in enumerate(used):
        y = _legend_top() + _LEGEND_LINE * line
        count = sum(one is state for one in states.values())
        teeth = "tooth" if count == 1 else "teeth"
        yield f'<g data-legend="{state}">'
        yield from _box(state, MARGIN, y - 18, 28, 24)
        words = f"{STATE_WORDS[state]}: {count} {teeth} ({_MARKS[state]})"
        yield _words(words, MARGIN + 40, y, "start")
        yield "</g>"
