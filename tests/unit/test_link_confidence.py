"""What confidence is given for a probability, and in which steps it is told."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from services.assessment.link_confidence import (
    ConfidenceMap,
    confidence_map,
    log_odds,
    shown,
    unmapped,
)


def mapped(log_odds: tuple[float, ...], confidence: tuple[float, ...]) -> ConfidenceMap:
    return ConfidenceMap(source="invented", log_odds=log_odds, confidence=confidence)


def probability(at: float) -> float:
    """Give the probability of some log odds."""
    return 1.0 / (1.0 + math.exp(-at))


@pytest.mark.parametrize(
    ("at", "confidence"),
    [(-9.0, 0.1), (-2.0, 0.1), (-1.0, 0.3), (0.0, 0.5), (0.25, 0.575), (1.0, 0.8), (5.0, 0.8)],
)
def test_between_two_knots_the_confidence_rises_evenly_and_outside_the_last_one_holds(
    at: float, confidence: float
) -> None:
    rising = mapped((-2.0, 0.0, 1.0), (0.1, 0.5, 0.8))

    assert rising.of(probability(at)) == pytest.approx(confidence)


def test_a_map_may_be_flat_between_two_knots() -> None:
    assert mapped((0.0, 1.0), (0.2, 0.2)).of(0.5) == 0.2


@pytest.mark.parametrize(
    ("knots", "words"),
    [
        (((0.0, 1.0), (0.1, 0.2, 0.3)), "one confidence for each"),
        (((1.0, 0.0), (0.1, 0.2)), "rising"),
        (((0.0, 1.0), (0.2, 0.1)), "rising"),
        (((0.0, 0.0), (0.1, 0.2)), "rising"),
        (((0.0, 0.0, 1.0), (0.1, 0.1, 0.2)), "rising"),
    ],
)
def test_a_map_that_does_not_rise_or_lacks_a_knot_is_refused(knots: Any, words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        mapped(*knots)


def test_the_example_of_a_map_treats_right_and_wrong_alike() -> None:
    (told,) = ConfidenceMap.EXAMPLES
    example = ConfidenceMap.model_validate_json(json.dumps(told))

    assert example.of(0.5) == pytest.approx(0.5)
    assert example.of(0.0) + example.of(1.0) == pytest.approx(1.0)


def test_log_odds_are_held_off_the_infinite_ends_at_one_in_a_million() -> None:
    assert log_odds(0.25) == pytest.approx(-math.log(3.0))
    assert log_odds(0.0) == log_odds(1e-6) == pytest.approx(math.log(1e-6 / (1.0 - 1e-6)))
    assert log_odds(1.0) == pytest.approx(-log_odds(0.0))


def test_the_map_that_leaves_a_probability_as_it_is_does_so_at_each_of_its_knots() -> None:
    alike = unmapped()

    assert (alike.log_odds[0], alike.log_odds[-1], len(alike.log_odds)) == (-14.0, 14.0, 113)
    for at in alike.log_odds:
        held = probability(min(max(at, log_odds(0.0)), log_odds(1.0)))
        assert alike.of(probability(at)) == pytest.approx(held, rel=1e-2, abs=1e-9)
    assert alike.confidence == pytest.approx([probability(at) for at in alike.log_odds])


@given(st.floats(0.0, 1.0))
def test_between_its_knots_it_changes_a_probability_by_less_than_a_thousandth(told: float) -> None:
    assert unmapped().of(told) == pytest.approx(told, abs=1e-3)


@pytest.mark.parametrize(
    ("confidence", "step"),
    [
        (0.0, 0.0), (0.049, 0.0), (0.05, 0.1), (0.149, 0.1), (0.151, 0.2), (0.249, 0.2),
        (0.251, 0.3), (0.349, 0.3), (0.351, 0.4), (0.449, 0.4), (0.451, 0.5), (0.549, 0.5),
        (0.551, 0.6), (0.649, 0.6), (0.651, 0.7), (0.749, 0.7), (0.751, 0.8), (0.849, 0.8),
        (0.851, 0.9), (0.949, 0.9), (0.95, 0.97), (0.984, 0.97), (0.985, 0.998),
        (0.9999, 0.998), (1.0, 1.0),
    ],
)  # fmt: skip
def test_a_confidence_is_told_in_steps_and_one_is_a_persons_word_alone(
    confidence: float, step: float
) -> None:
    assert shown(confidence) == step


def test_the_map_of_the_service_is_read_once_and_rises_with_the_probability() -> None:
    told = [confidence_map().of(n / 50.0) for n in range(51)]

    assert confidence_map() is confidence_map()
    assert all(one <= other for one, other in pairwise(told))
    assert told[0] < 0.5 < told[-1]
