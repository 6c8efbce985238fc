"""From the probability that the alignment gives to a confidence that holds in practice.

The model is simpler than a room, so its probabilities are too sure of themselves. A rising map
takes them to how often such a pair was right in simulated rooms; it is data, made by
``python -m tests.simulated_rooms --fit`` from the conditions that settings are tuned on.
"""

import math
from bisect import bisect_right
from functools import lru_cache
from importlib.resources import files
from typing import Annotated, Any, ClassVar, Final, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Fraction, Text
from schemas.rule_files import read_rules

_LEAST = 1e-6


class ConfidenceMap(Contract):
    """Knots of a rising, piecewise linear map from the log odds of a probability to a confidence.

    ``log_odds`` are natural logarithms of p / (1 - p). Outside the knots the last value holds.
    """

    source: Text
    log_odds: Annotated[tuple[float, ...], Field(min_length=2)]
    confidence: Annotated[tuple[Fraction, ...], Field(min_length=2)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"source": "an invented example", "log_odds": [-4.0, 4.0], "confidence": [0.1, 0.9]},
    )

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if len(self.log_odds) != len(self.confidence):
            raise ValueError("expected one confidence for each of the log odds")
        for values in (self.log_odds, self.confidence):
            if list(values) != sorted(values) or len(set(self.log_odds)) != len(self.log_odds):
                raise ValueError("expected rising values")
        return self

    def of(self, probability: float) -> float:
        """Give the confidence for a probability of the alignment."""
        at = log_odds(probability)
        place = bisect_right(self.log_odds, at)
        if place == 0:
            return self.confidence[0]
        if place == len(self.log_odds):
            return self.confidence[-1]
        low, high = self.log_odds[place - 1], self.log_odds[place]
        share = (at - low) / (high - low)
        below, above = self.confidence[place - 1], self.confidence[place]
        return below + share * (above - below)


# What is said of a link: finer steps would make a new revision of every study of the room with
# each new exposure, since each shifts all the others' odds a little. The borders lie where few
# links stand, and one at what is accepted.
_STEPS: Final = (*(n / 10.0 for n in range(10)), 0.97, 0.998)
_BORDERS: Final = (*((n + 0.5) / 10.0 for n in range(9)), 0.95, 0.985)


def shown(confidence: float) -> float:
    """Give the nearest step that is told of a confidence; 1 is a person's word alone."""
    if confidence >= 1.0:
        return 1.0
    return _STEPS[bisect_right(_BORDERS, confidence)]


def unmapped() -> ConfidenceMap:
    """Give the map that leaves a probability as it is, to make another one by."""
    knots = [n / 4.0 for n in range(-56, 57)]
    shares = tuple(1.0 / (1.0 + math.exp(-x)) for x in knots)
    return ConfidenceMap(source="none", log_odds=tuple(knots), confidence=shares)


def log_odds(probability: float) -> float:
    """Give ln(p / (1 - p)), held off the infinite ends."""
    held = min(max(probability, _LEAST), 1.0 - _LEAST)
    return math.log(held / (1.0 - held))


@lru_cache(maxsize=1)
def confidence_map() -> ConfidenceMap:
    """Read the map that comes with the service."""
    return read_rules(ConfidenceMap, files("services.assessment") / "link_confidence.yaml")
