"""A question about the dose of one exposure, and the words that all of them share."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from services.assessment.dose_slips import Slip

QUESTION_COVERAGE: Final = 3.0
"""A told figure is asked about where it is so many standard deviations from what is expected: of
right ones 1 in 370."""

NOT_CHANGED: Final = "Nothing was changed; a figure that rests on it is in no sum."


@dataclass(frozen=True, slots=True)
class Doubt:
    """One question; ``of_kerma`` and ``of_kap`` say which figures rest on what is asked about."""

    code: str
    slips: tuple[str, ...]
    words: str
    of_kerma: bool
    of_kap: bool


def log_ratio(told: float, expected: float) -> float:
    """The natural logarithm of a ratio of two numbers above 0, however small they are."""
    return math.log(told) - math.log(expected)


def is_far(log_of_ratio: float, deviation: float) -> bool:
    """Tell whether a ratio of told to expected is one to ask about."""
    return abs(log_of_ratio) > QUESTION_COVERAGE * deviation


def asked(suspected: Sequence[Slip]) -> str:
    if not suspected:
        return "what holds? No slip of unit that is known here explains it."
    return " Or ".join(slip.question for slip in suspected)
