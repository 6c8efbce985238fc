"""Where each tooth stands in our own schematic of a mouth: plain boxes, sized by the kind of tooth.

Four quadrants as one looks at the animal's face: its right side is on the left, and crowns face
each other. Both jaws share the columns. Units are the drawing's own. Whoever draws it says what
a box looks like.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from schemas.teeth import (
    Arch,
    Dentition,
    Side,
    Species,
    ToothKind,
    arch,
    kind,
    position,
    side,
    teeth_of,
)

_SIZES: Final[Mapping[ToothKind, tuple[int, int]]] = {
    ToothKind.INCISOR: (28, 30),
    ToothKind.CANINE: (30, 58),
    ToothKind.PREMOLAR: (36, 38),
    ToothKind.MOLAR: (42, 44),
}
_GAP: Final = 7
_MIDLINE: Final = 14
MARGIN: Final = 20
TALLEST: Final = 58
TOP: Final = 48
BETWEEN: Final = 66
"""Between the two rows of crowns; the numbers stand there."""


@dataclass(frozen=True, slots=True)
class ToothBox:
    """One tooth's box: its upper left corner and its size; ``upper``: it is in the upper jaw."""

    tooth: int
    x: float
    y: float
    wide: int
    high: int
    upper: bool

    @property
    def number_y(self) -> int:
        """The base line of its number: all of a jaw in one line, so that they are read across."""
        return row_of(Arch.MAXILLA) + 18 if self.upper else row_of(Arch.MANDIBLE) - 8


@dataclass(frozen=True, slots=True)
class MouthLayout:
    """Every tooth of a dentition once, in order. ``bottom``: the end of the axes."""

    width: int
    boxes: tuple[ToothBox, ...]

    @property
    def middle(self) -> int:
        return self.width // 2

    @property
    def between(self) -> int:
        """The line between the jaws."""
        return TOP + TALLEST + BETWEEN // 2

    @property
    def bottom(self) -> int:
        return row_of(Arch.MANDIBLE) + TALLEST + 8


def row_of(jaw: Arch) -> int:
    """Give the height at which the crowns of a jaw end."""
    return TOP + TALLEST if jaw is Arch.MAXILLA else TOP + TALLEST + BETWEEN


def mouth_layout(species: Species, dentition: Dentition, least_width: int = 0) -> MouthLayout:
    """Lay out every tooth that a healthy animal of the species has in this dentition."""
    teeth = teeth_of(species, dentition)
    columns = _columns(teeth)
    width = max(least_width, 2 * (MARGIN + _MIDLINE + columns[max(columns)][1]))
    return MouthLayout(width, tuple(_box(tooth, columns, width // 2) for tooth in sorted(teeth)))


def _columns(teeth: frozenset[int]) -> dict[int, tuple[int, int]]:
    """Give each position's near and far edge from the midline."""
    columns, edge = {}, 0
    for place, tooth in sorted({position(tooth): tooth for tooth in teeth}.items()):
        wide = _SIZES[kind(tooth)][0]
        columns[place] = (edge, edge + wide)
        edge += wide + _GAP
    return columns


def _box(tooth: int, columns: Mapping[int, tuple[int, int]], middle: int) -> ToothBox:
    wide, high = _SIZES[kind(tooth)]
    near, far = columns[position(tooth)]
    left = middle - _MIDLINE - far if side(tooth) is Side.RIGHT else middle + _MIDLINE + near
    line, upper = row_of(arch(tooth)), arch(tooth) is Arch.MAXILLA
    return ToothBox(tooth, left, line - high if upper else line, wide, high, upper)
