"""Is the beam hard enough: the minimum half-value layer of intraoral sets."""

from bisect import bisect_left
from typing import Final

from services.assessment.tube_output import OutOfRange

MINIMUM_HVL_MM_AL: Final = ((30.0, 1.5), (70.0, 1.5), (71.0, 2.1), (80.0, 2.3), (90.0, 2.5))
"""Pairs of kV and mm Al, linear between them (25 Pa. Code 221.25; 32 Ill. Adm. Code 360 table B;
Ariz. R9-7-605, read; 21 CFR 1020.30, from memory). A default that a site replaces by its local
code."""


def minimum_hvl_mm_al(tube_kv: float) -> float:
    """Return the least half-value layer, in mm Al, that the codes above ask at ``tube_kv``.

    Raises ``OutOfRange`` outside 30 to 90 kV.
    """
    lowest, highest = MINIMUM_HVL_MM_AL[0][0], MINIMUM_HVL_MM_AL[-1][0]
    if not lowest <= tube_kv <= highest:
        raise OutOfRange("tube_kv", tube_kv, lowest, highest)
    above = max(1, bisect_left([kv for kv, _ in MINIMUM_HVL_MM_AL], tube_kv))
    (low_kv, low), (high_kv, high) = MINIMUM_HVL_MM_AL[above - 1], MINIMUM_HVL_MM_AL[above]
    return low + (high - low) * (tube_kv - low_kv) / (high_kv - low_kv)


def hvl_warning(tube_kv: float, hvl_mm_al: float) -> str | None:
    """Warn in plain words where a half-value layer lies below the minimum; else ``None``.

    Raises ``OutOfRange`` outside 30 to 90 kV.
    """
    least = minimum_hvl_mm_al(tube_kv)
    if hvl_mm_al >= least:
        return None
    return (
        f"At {tube_kv:g} kV the beam's half-value layer is {hvl_mm_al:.2f} mm Al, below the "
        f"{least:.2f} mm Al that codes for intraoral sets ask. Have the filtration checked by a "
        "licensed person; the local code decides."
    )
