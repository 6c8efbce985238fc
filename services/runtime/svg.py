"""A plain drawing as SVG: lines, boxes, marks and text, with a title and words for those who
cannot see it.

Colours are of the palette by Okabe and Ito (jfly.uni-koeln.de/color, from memory), which people
with any common colour vision tell apart; shape or dash always says the same as colour.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

BLACK: Final = "#1a1a1a"
GREY: Final = "#6b6b6b"
PALE: Final = "#e3e3e3"
BLUE: Final = "#0072b2"
ORANGE: Final = "#d55e00"
GREEN: Final = "#009e73"
SKY: Final = "#9ecae9"
PURPLE: Final = "#a3478a"
SERIES: Final = (BLUE, ORANGE, GREEN, PURPLE)
SOLID, DASHED, DOTTED = "", "7 4", "1.5 3.5"
_SVG: Final = "http://www.w3.org/2000/svg"
_FONT: Final = "system-ui, 'DejaVu Sans', Arial, sans-serif"


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps values from ``low`` to ``high`` to places from ``begin`` to ``end``."""

    low: float
    high: float
    begin: float
    end: float

    def at(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.begin + share * (self.end - self.begin)

    def ticks(self, about: int = 6) -> list[float]:
        """Give round values over the scale, about so many."""
        step = _round_step((self.high - self.low) / about)
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [round(i * step, 10) for i in range(first, last + 1)]


def _round_step(rough: float) -> float:
    power: float = 10.0 ** math.floor(math.log10(rough))
    return next(power * m for m in (1, 2, 5, 10) if power * m >= rough * 0.999)


class Drawing:
    """An SVG of so many pixels. ``words`` tell in text what it shows."""

    def __init__(self, width: float, height: float, title: str, words: str) -> None:
        self._root = ET.Element(
            "svg",
            {
                "xmlns": _SVG,
                "viewBox": f"0 0 {width:g} {height:g}",
                "width": f"{width:g}",
                "height": f"{height:g}",
                "role": "img",
                "aria-labelledby": "title words",
                "font-family": _FONT,
                "font-size": "13",
            },
        )
        ET.SubElement(self._root, "title", {"id": "title"}).text = title
        ET.SubElement(self._root, "desc", {"id": "words"}).text = words
        self.box(0, 0, width, height, fill="#ffffff")

    def line(
        self, x1: float, y1: float, x2: float, y2: float, colour: str = BLACK, dash: str = SOLID,
        width: float = 1.0,
    ) -> None:  # fmt: skip
        told = {"x1": x1, "y1": y1, "x2": x2, "y2": y2, "stroke": colour, "stroke-width": width}
        self._add("line", told | ({"stroke-dasharray": dash} if dash else {}))

    def path(self, points: Sequence[tuple[float, float]], colour: str = BLACK) -> None:
        places = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        told = {"points": places, "fill": "none", "stroke": colour, "stroke-width": 1.5}
        self._add("polyline", told)

    def box(
        self, x: float, y: float, width: float, height: float, fill: str, edge: str | None = None
    ) -> None:
        told = {"x": x, "y": y, "width": max(0.0, width), "height": max(0.0, height), "fill": fill}
        self._add("rect", told | ({"stroke": edge, "stroke-width": 1} if edge else {}))

    def mark(self, x: float, y: float, shape: int, colour: str, size: float = 4.0) -> None:
        """Draw a mark: 0 a circle, 1 a square, 2 a triangle, 3 a diamond."""
        if shape % 4 == 0:
            self._add("circle", {"cx": x, "cy": y, "r": size, "fill": colour})
            return
        s = size * 1.15
        corners = {
            1: ((-s, -s), (s, -s), (s, s), (-s, s)),
            2: ((0, -1.3 * s), (1.2 * s, s), (-1.2 * s, s)),
            3: ((0, -1.3 * s), (1.3 * s, 0), (0, 1.3 * s), (-1.3 * s, 0)),
        }[shape % 4]
        places = " ".join(f"{x + dx:.2f},{y + dy:.2f}" for dx, dy in corners)
        self._add("polygon", {"points": places, "fill": colour})

    def text(
        self, x: float, y: float, words: str, *, anchor: str = "start", colour: str = BLACK,
        size: float = 13.0, bold: bool = False, upwards: bool = False,
    ) -> None:  # fmt: skip
        told: dict[str, object] = {
            "x": x, "y": y, "text-anchor": anchor, "fill": colour, "font-size": size,
        }  # fmt: skip
        if bold:
            told["font-weight"] = "600"
        if upwards:
            told["transform"] = f"rotate(-90 {x:.2f} {y:.2f})"
        self._add("text", told).text = words

    def _add(self, name: str, told: dict[str, object]) -> ET.Element:
        shown = {k: f"{v:.2f}" if isinstance(v, float) else str(v) for k, v in told.items()}
        return ET.SubElement(self._root, name, shown)

    def render(self) -> str:
        """Give the whole document as text."""
        ET.indent(self._root)
        return ET.tostring(self._root, encoding="unicode") + "\n"


def x_axis(drawing: Drawing, scale: Scale, top: float, bottom: float, title: str) -> None:
    """Draw the axis below, with a pale line upwards at each tick."""
    for value in scale.ticks(9):
        x = scale.at(value)
        drawing.line(x, top, x, bottom, PALE)
        drawing.text(x, bottom + 18, f"{value:g}", anchor="middle", colour=GREY)
    drawing.line(scale.begin, bottom, scale.end, bottom, BLACK)
    drawing.text((scale.begin + scale.end) / 2, bottom + 38, title, anchor="middle")


def y_axis(drawing: Drawing, scale: Scale, left: float, right: float, title: str) -> None:
    """Draw the axis to the left, with a pale line across at each tick."""
    for value in scale.ticks(5):
        y = scale.at(value)
        drawing.line(left, y, right, y, PALE)
        drawing.text(left - 8, y + 4, f"{value:,g}", anchor="end", colour=GREY)
    drawing.line(left, scale.begin, left, scale.end, BLACK)
    drawing.text(left - 52, (scale.begin + scale.end) / 2, title, anchor="middle", upwards=True)
