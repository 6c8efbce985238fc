"""What makes a kerma uncertain, and how much that comes to: the rule of JCGM 100 for products.

A figure is a product of powers of inputs, each taken as log-normal about its value, so that it
stays above 0 also where an uncertainty is large. Inputs are independent unless said otherwise;
one that enters twice (the distance, in kerma and in the field's area) is counted by the sum of
its powers (JCGM 100 section 5.1, read in part; 5.1.6 and 5.2 from memory).
"""

import math
from collections.abc import Mapping
from typing import Final

from schemas.outputs import Waveform

MODEL_RELATIVE_STANDARD_UNCERTAINTY: Final[Mapping[Waveform, float]] = {
    "constant_potential": 0.9,
    "rectified": 0.7,
    "unknown": 0.9,
}
"""How far the model may be from a machine: at k = 2 a factor of 4.7, or 3.6 where rectified.

Chosen so that the interval at k = 2 holds the published surveys for every filtration and anode
angle of the table at a 20 cm cone. Machines gave down to 1/4.4 of the model at constant potential
(Korea, Imaging Sci Dent 2012;42:237-242, 102 units, 0.53 mGy/mAs at 62.6 kVp) and up to 3.1 times
that of a rectified wave (Ireland, 33 units, third quartile up to 1.41 mGy/mAs). Their waveforms,
cones and filtration are not told, so the cause is open. A wave that is not known is read as
constant potential, which overstates. The test against published values computes this anew.
"""

DEVICE_RELATIVE_STANDARD_UNCERTAINTY: Final = 0.25
"""Half of the 50 % allowed to a set's dose indication (IEC 60601-2-54, from memory)."""

AREA_RELATIVE_STANDARD_UNCERTAINTY: Final = 0.05
"""Of the field area: invented default, about 1.5 mm on a 6 cm cone."""

DISTANCE_RELATIVE_STANDARD_UNCERTAINTY: Final = 0.025
"""Of the distance from focus to skin: invented default, 5 mm in 200 mm."""

REPRODUCIBILITY_RELATIVE_STANDARD_UNCERTAINTY: Final = 0.05
"""Of one exposure at settings that were calibrated: the coefficient of variation allowed to an
X-ray set (OAR 333-106-0315, WAC 246-225-090, read; 21 CFR 1020.31(b), from memory)."""

EXPIRED_RELATIVE_STANDARD_UNCERTAINTY: Final = 0.20
"""Added to a calibration after its last day: invented default. It is still nearer to the machine
than the model is, so it is used on, wider and marked."""


def combined(*relative_standard_uncertainties: float) -> float:
    """Combine independent relative standard uncertainties of factors (log-normal)."""
    return combined_powers(*((u, 1.0) for u in relative_standard_uncertainties))


def combined_powers(*inputs: tuple[float, float]) -> float:
    """Combine pairs of relative standard uncertainty and the power of its input.

    Exact for log-normal inputs; for small ones the root of the sum of (power · u)², as JCGM 100
    equation 12 has it.
    """
    return math.sqrt(math.prod((1.0 + u * u) ** (p * p) for u, p in inputs) - 1.0)


def log_deviation(relative_standard_uncertainty: float) -> float:
    """Return the standard deviation of the logarithm."""
    return math.sqrt(math.log1p(relative_standard_uncertainty**2))


def interval(
    value: float, relative_standard_uncertainty: float, coverage: float = 2.0
) -> tuple[float, float]:
    """Return the interval around ``value``, taken as log-normal, so that it stays above 0."""
    factor = math.exp(coverage * log_deviation(relative_standard_uncertainty))
    return value / factor, value * factor
