"""Typical values and local reference levels by the method of ICRP Publication 135.

Typical value: the median of the distribution in one facility, or a few rooms. Local reference
level: the 75th percentile of the values of a reasonable number of X-ray rooms, for instance 10 to
20 (both read in the ICRP's own glossary, icrpaedia.org). Of a room its median counts, and at least
20 patients are asked for (from memory). Below these numbers nothing is given, with the reason.

All of it is about one kind of exposure and one size of animal: ICRP speaks of human patients of a
standard size; small and large by the site's rule stand in for that here, our own choice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import floor
from typing import Final

LEAST_PATIENTS: Final = 20
LEAST_ROOMS: Final = 10
PERCENTILE: Final = 0.75
SOURCE: Final = (
    "ICRP Publication 135, 2017 (definitions read at icrpaedia.org; at least 20 patients for each "
    "room from memory)"
)


@dataclass(frozen=True, slots=True)
class RoomValues:
    """The values of one kind of exposure in one room, one for each patient."""

    room: str
    values: Sequence[float]


@dataclass(frozen=True, slots=True)
class TypicalValue:
    """``value`` is None where it is refused; ``words`` say what it is or why it is not."""

    room: str
    patients: int
    value: float | None
    words: str


@dataclass(frozen=True, slots=True)
class LocalLevel:
    rooms: int
    value: float | None
    words: str


def quantile(values: Sequence[float], share: float) -> float:
    """Give the value below which ``share`` of all lie, linear between the two neighbours.

    The seventh definition of Hyndman and Fan (Am Stat 1996;50:361, from memory), numpy's default.

    Raises
    ------
    ValueError
        There is no value, or ``share`` is not from 0 to 1.
    """
    if not values or not 0 <= share <= 1:
        raise ValueError(f"expected a value and a share from 0 to 1, got {len(values)}, {share}")
    ordered = sorted(values)
    position = share * (len(ordered) - 1)
    below = floor(position)
    above = min(below + 1, len(ordered) - 1)
    part = position - below
    # So that equal neighbours give themselves, without a last digit of rounding.
    if ordered[below] == ordered[above]:
        return ordered[below]
    return ordered[below] * (1.0 - part) + ordered[above] * part


def typical_value(room: RoomValues, unit: str) -> TypicalValue:
    """Give a room's median, unless it has fewer than 20 patients."""
    patients = len(room.values)
    if patients < LEAST_PATIENTS:
        words = f"{room.room}: not given, {patients} of at least {LEAST_PATIENTS} patients"
        return TypicalValue(room.room, patients, None, words)
    value = quantile(room.values, 0.5)
    return TypicalValue(
        room.room, patients, value, f"{room.room}: median {value:.3g} {unit} of {patients} patients"
    )


def local_level(rooms: Sequence[RoomValues], unit: str) -> LocalLevel:
    """Give the 75th percentile of the rooms' medians, unless fewer than 10 rooms have one."""
    medians = [one.value for room in rooms if (one := typical_value(room, unit)).value is not None]
    if len(medians) < LEAST_ROOMS:
        words = (
            f"no local reference level: {len(medians)} of at least {LEAST_ROOMS} rooms have a "
            "typical value; compare with the typical values instead"
        )
        return LocalLevel(len(medians), None, words)
    value = quantile(medians, PERCENTILE)
    words = f"local reference level {value:.3g} {unit}: 75th percentile of {len(medians)} rooms"
    return LocalLevel(len(medians), value, words)


def by_kind(
    values: Mapping[tuple[str, str], Sequence[RoomValues]], unit: str
) -> dict[tuple[str, str], tuple[tuple[TypicalValue, ...], LocalLevel]]:
    """Give typical values and local level for each kind of exposure and size of animal."""
    return {
        kind: (tuple(typical_value(room, unit) for room in rooms), local_level(rooms, unit))
        for kind, rooms in sorted(values.items())
    }
