"""Slips of unit that devices and people make, each by the factor it puts on a number."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

SLIP_COVERAGE: Final = 2.5
"""A slip explains a number where what is left lies within so many standard deviations: our own
choice, a little above what a right figure may be off."""


@dataclass(frozen=True, slots=True)
class Slip:
    """``factor`` is the number read over the true one. ``rare`` slips come after the others."""

    name: str
    factor: float
    question: str
    rare: bool = False


TUBE_KV: Final = (Slip("v-as-kv", 1e3, "told in V?"),)
TUBE_CURRENT: Final = (
    Slip("ua-as-ma", 1e3, "told in µA?"),
    Slip("a-as-ma", 1e-3, "told in A?"),
)
TIME: Final = (Slip("s-as-ms", 1e-3, "told in s?"), Slip("us-as-ms", 1e3, "told in µs?"))
CHARGE: Final = (
    Slip("uas-as-mas", 1e3, "told in µA·s?"),
    Slip("as-as-mas", 1e-3, "told in A·s?"),
)
DISTANCE: Final = (Slip("cm-as-mm", 0.1, "told in cm?"), Slip("m-as-mm", 1e-3, "told in m?"))
KERMA: Final = (
    Slip("ugy-as-mgy", 1e3, "told in µGy?"),
    Slip("gy-as-mgy", 1e-3, "told in Gy?"),
    Slip("mgy-as-dgy", 1e2, "told in mGy where dGy are asked?", rare=True),
    Slip("dgy-as-mgy", 1e-2, "told in dGy?", rare=True),
)
KAP: Final = (
    Slip("mgycm2-as-dgycm2", 1e2, "told in mGy·cm² where dGy·cm² are asked?"),
    Slip("dgycm2-as-mgycm2", 1e-2, "told in dGy·cm²?"),
    Slip("mgycm2-as-gym2", 1e7, "told in mGy·cm² where Gy·m² are asked?"),
    Slip("gym2-as-mgycm2", 1e-7, "told in Gy·m²?"),
    Slip("dgycm2-as-gym2", 1e5, "told in dGy·cm² where Gy·m² are asked?"),
    Slip("gym2-as-dgycm2", 1e-5, "told in Gy·m² where dGy·cm² are asked?"),
    Slip("mgycm2-as-gycm2", 1e3, "told in mGy·cm² where Gy·cm² are asked?", rare=True),
    Slip("gycm2-as-mgycm2", 1e-3, "told in Gy·cm²?", rare=True),
)
OUTPUT: Final = (
    Slip("output-in-mgy", 1e-3, "measured in mGy per mAs?"),
    Slip("output-in-ngy", 1e3, "measured in nGy per mAs?"),
)
"""Of a calibration. cGy·cm² and µGy·m² are both 10 mGy·cm²: a slip by 10 is within what the model
leaves open, so that nothing here can find it."""


def explaining(log_ratio: float, deviation: float, slips: Sequence[Slip]) -> tuple[Slip, ...]:
    """Give the slips that explain a ratio of told to expected, the likeliest first, at most 3.

    ``log_ratio`` is the ratio's natural logarithm (a subnormal number has no inverse),
    ``deviation`` is the standard deviation of the ratio's logarithm where nothing is wrong.
    """
    left = [(slip, abs(log_ratio - math.log(slip.factor))) for slip in slips]
    fitting = [(slip, far) for slip, far in left if far <= SLIP_COVERAGE * deviation]
    return tuple(slip for slip, _ in sorted(fitting, key=lambda p: (p[0].rare, p[1])))[:3]


def landing(value: float, lowest: float, highest: float, slips: Sequence[Slip]) -> tuple[Slip, ...]:
    """Give the slips that, taken back, bring a value into its range."""
    return tuple(slip for slip in slips if lowest <= value / slip.factor <= highest)
