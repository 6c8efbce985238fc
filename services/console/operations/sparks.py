"""Small lines that show how a figure went, drawn on the server as SVG points. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

WIDE: Final = 120
HIGH: Final = 28
_EDGE: Final = 2


@dataclass(frozen=True, slots=True)
class Spark:
    """Pieces of a line (a gap where nothing was known), and what they show in words."""

    pieces: tuple[str, ...]
    words: str


def spark(values: Sequence[float | None], what: str) -> Spark:
    """Draw figures at equal distances, from zero to their highest."""
    known = [value for value in values if value is not None]
    if not known:
        return Spark((), f"{what}: not known")
    top = max(*known, 1.0)
    step = (WIDE - 2 * _EDGE) / max(len(values) - 1, 1)
    pieces: list[list[str]] = [[]]
    for number, value in enumerate(values):
        if value is None:
            pieces.append([])
            continue
        x = _EDGE + number * step
        y = HIGH - _EDGE - (HIGH - 2 * _EDGE) * value / top
        pieces[-1].append(f"{x:.1f},{y:.1f}")
    drawn = tuple(" ".join(piece if len(piece) > 1 else piece * 2) for piece in pieces if piece)
    words = f"{what}: lowest {min(known):,.0f}, highest {max(known):,.0f}, now {known[-1]:,.0f}"
    return Spark(drawn, words)
