"""Scatter at a marked position, from published amounts at 1 m and the inverse square.

Pure. K = s · P_KA / d² with s in nGy per mGy·cm² at 1 m (Holroyd, J Radiol Prot 2018, abstract
read): 30 mGy·cm² give 41 nGy at 2 m. The amount is the largest found in any direction around
phantoms of human heads, so the angle lowers nothing here; it tells where the figure does not
hold. Animals were not measured.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from schemas.errors import InvalidInput
from schemas.protection import MarkedPosition, PositionRule, ScatterValue

MSV_PER_MGY_AT_MOST: Final = 1.75
"""Largest ambient dose equivalent for an air kerma, at 60 keV (ICRP Publication 74, from memory).
The estimate takes 1 mSv for 1 mGy, as NCRP Report 147 does (from memory); the upper end this."""

IN_THE_BEAM_DEGREES: Final = 30.0
"""Nearer to the beam's axis than this what leaves the head in the beam may reach a person, and no
amount of scatter tells that: invented, wider than any cone's beam."""


@dataclass(frozen=True, slots=True)
class PositionCheck:
    """A marked position against one published rule."""

    rule: str
    met: bool
    words: str


def scatter_ngy(kap_mgycm2: float, distance_m: float, value: ScatterValue) -> float:
    """Give the air kerma of scatter in nGy at a distance from the head.

    Raises
    ------
    InvalidInput
        The distance is not above 0, or the amount is not one for kerma-area product.
    """
    if value.per != "kap":
        raise InvalidInput("per", value.per, "kap")
    return value.value * kap_mgycm2 * _inverse_square(distance_m)


def scatter_nsv(mas: float, distance_m: float, value: ScatterValue) -> float:
    """Give the ambient dose of scatter in nSv at a distance from the head, by charge in mAs."""
    if value.per != "mas":
        raise InvalidInput("per", value.per, "mas")
    return value.value * mas * _inverse_square(distance_m)


def _inverse_square(distance_m: float) -> float:
    if not distance_m > 0:
        raise InvalidInput("distance_m", distance_m, "a distance above 0 m")
    return 1.0 / distance_m**2


def in_the_beam(position: MarkedPosition) -> bool:
    """Tell whether a position is so near to the beam that no scatter says what reaches it."""
    return position.angle_degrees < IN_THE_BEAM_DEGREES


def position_checks(
    position: MarkedPosition, rules: Sequence[PositionRule]
) -> Iterator[PositionCheck]:
    """Hold an operator's position against each published rule."""
    for rule in rules:
        far = position.distance_m >= rule.least_m
        aside = rule.least_degrees <= position.angle_degrees <= rule.most_degrees
        memory = ", from memory" if rule.basis == "memory" else ""
        faults = []
        if not far:
            faults.append(f"{position.distance_m:g} m is nearer than {rule.least_m:g} m")
        if not aside:
            faults.append(
                f"{position.angle_degrees:g} degrees is not from {rule.least_degrees:g} to "
                f"{rule.most_degrees:g}"
            )
        told = "; ".join(faults) if faults else "distance and angle are as it wants"
        yield PositionCheck(rule.name, not faults, f"{told} ({rule.source}{memory})")
