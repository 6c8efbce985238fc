"""How well one exposure and one image agree: in time, in technique, in teeth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.assessment.clock_offset import Clocks
from services.assessment.clock_tracks import Track, sightings
from services.assessment.day_signs import rates_of
from services.assessment.pairing_scores import (
    Agreement,
    Exposure,
    Image,
    technique_agrees,
    teeth_agree,
    time_density,
)
from services.assessment.room_clocks import RoomClocks


def exposure(**told: object) -> Exposure:
    return replace(Exposure("e", "generator-1", 0.0, 65.0, 7.0, 120.0, 120.0), **told)  # type: ignore[arg-type]


def image(**told: object) -> Image:
    return replace(Image("i", "A", "station-1", 0.0), **told)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("told", "chance"),
    [
        ({}, 0.95),
        ({"plate": False}, 0.95),
        ({"test": True}, 0.5),
        ({"plate": True}, 0.02),
        ({"plate": True, "test": True}, 0.02),
        ({"ended_early": True}, 0.3),
        ({"ended_early": True, "plate": True}, 0.3),
    ],
)
def test_how_likely_an_exposure_makes_an_image_at_once(
    told: dict[str, object], chance: float
) -> None:
    assert exposure(**told).makes_image == chance


@pytest.mark.parametrize("spread_s", [0.5, 1.3, 4.0])
def test_the_delay_is_normal_but_for_three_in_a_hundred_that_miss_by_more(spread_s: float) -> None:
    times_s = np.array([0.0, -0.7, 1.0, 2.0, 6.0, -20.0])
    usual, rare = NormalDist(0.0, spread_s), NormalDist(0.0, 8.0)

    mixed = [0.97 * usual.pdf(at) + 0.03 * rare.pdf(at) for at in times_s.tolist()]

    assert time_density(times_s, spread_s) == pytest.approx(mixed, rel=1e-9)


def test_pairs_are_looked_at_within_twenty_five_seconds_of_the_usual_delay() -> None:
    image_s = np.array([-25.5, -25.0, 0.0, 25.0, 25.5])

    assert sightings(Track(0.0, 0.0, 0.0), np.zeros(1), image_s).j.tolist() == [1, 2, 3]


def test_what_an_empty_day_is_taken_for() -> None:
    nothing = RoomClocks([], [], Clocks.of(()), Agreement([], []))

    rates = rates_of([], np.zeros(0), (), (), nothing)

    # The nearest half powers of two of 3e-4 per second and of 0.05.
    assert rates.foreign_per_s == pytest.approx(2.0**-11.5)
    assert rates.lost == pytest.approx(2.0**-4.5)
    assert rates.spread_s == 1.3


LONG = {"set_exposure_ms": 200.0, "exposure_ms": 100.0}
SHORT = {"set_exposure_ms": 10.0, "exposure_ms": 100.0}
CUT_SHORT = {"set_exposure_ms": 100.0, "exposure_ms": 10.0}


@pytest.mark.parametrize(
    ("made", "told", "agrees"),
    [
        ({}, {}, None),
        # 1 kV
        ({}, {"tube_kv": 66.0}, True),
        ({}, {"tube_kv": 66.1}, False),
        ({}, {"tube_kv": 64.0}, True),
        ({}, {"tube_kv": 63.9}, False),
        # 1 mA or a tenth
        ({}, {"tube_current_ma": 8.0}, True),
        ({}, {"tube_current_ma": 8.1}, False),
        ({}, {"tube_current_ma": 5.9}, False),
        ({"tube_current_ma": 20.0}, {"tube_current_ma": 22.0}, True),
        ({"tube_current_ma": 20.0}, {"tube_current_ma": 18.0}, True),
        ({"tube_current_ma": 20.0}, {"tube_current_ma": 22.1}, False),
        # 1 ms or a twentieth, of what was set or what was delivered
        (LONG, {"exposure_ms": 105.0}, True),
        (LONG, {"exposure_ms": 105.1}, False),
        (LONG, {"exposure_ms": 94.9}, False),
        (LONG, {"exposure_ms": 190.0}, True),
        (LONG, {"exposure_ms": 189.9}, False),
        (LONG, {"exposure_ms": 210.1}, False),
        (SHORT, {"exposure_ms": 11.0}, True),
        (SHORT, {"exposure_ms": 11.1}, False),
        (CUT_SHORT, {"exposure_ms": 11.0}, True),
        (CUT_SHORT, {"exposure_ms": 11.1}, False),
        # All that is told must agree.
        ({}, {"tube_kv": 65.0, "tube_current_ma": 7.0, "exposure_ms": 120.0}, True),
        ({}, {"tube_kv": 70.0, "tube_current_ma": 7.0, "exposure_ms": 120.0}, False),
        ({}, {"tube_kv": 65.0, "tube_current_ma": 9.0, "exposure_ms": 120.0}, False),
        ({}, {"tube_kv": 65.0, "tube_current_ma": 7.0, "exposure_ms": 80.0}, False),
    ],
)
def test_technique_agrees_within_what_a_header_rounds(
    made: dict[str, object], told: dict[str, object], agrees: bool | None
) -> None:
    assert technique_agrees(exposure(**made), image(**told)) is agrees


@pytest.mark.parametrize(
    ("preset", "shown", "agree"),
    [
        (set(), set(), None),
        (set(), {108}, None),
        ({108}, set(), None),
        ({108, 109}, {109, 110}, True),
        ({108, 109}, {110}, False),
    ],
)
def test_teeth_agree_where_preset_and_image_share_one(
    preset: set[int], shown: set[int], agree: bool | None
) -> None:
    made, seen = exposure(teeth=frozenset(preset)), image(teeth=frozenset(shown))

    assert teeth_agree(made, seen) is agree


def weighed(answers: Sequence[bool | None], at: int, true_share: float) -> float:
    """One answer of an image by how common it is among all exposures, written out."""
    told = [one for one in answers if one is not None]
    if answers[at] is None:
        return 0.0
    by_chance = (sum(told) + 1) / (len(told) + 2)
    if answers[at]:
        return math.log(true_share / by_chance)
    return math.log((1 - true_share) / (1 - by_chance))


TEETH = st.sampled_from([frozenset[int](), frozenset({108}), frozenset({109, 110})])
MADE = st.builds(
    exposure,
    tube_kv=st.sampled_from([60.0, 65.0]),
    exposure_ms=st.sampled_from([80.0, 120.0]),
    set_exposure_ms=st.sampled_from([80.0, 120.0]),
    teeth=TEETH,
)
SEEN = st.builds(
    image,
    tube_kv=st.sampled_from([None, 60.0, 70.0]),
    tube_current_ma=st.sampled_from([None, 7.0, 12.0]),
    exposure_ms=st.sampled_from([None, 80.0]),
    teeth=TEETH,
)


@given(made=st.lists(MADE, max_size=6), seen=st.lists(SEEN, max_size=4))
def test_agreement_weighs_more_the_rarer_it_is_among_the_rooms_exposures(
    made: list[Exposure], seen: list[Image]
) -> None:
    i, j = np.divmod(np.arange(len(made) * len(seen)), max(1, len(seen)))

    scores = Agreement(made, seen).scores(i, j)

    expected = [
        weighed([technique_agrees(one, header) for one in made], at, 0.99)
        + weighed([teeth_agree(one, header) for one in made], at, 0.93)
        for at in range(len(made))
        for header in seen
    ]
    assert scores.tolist() == pytest.approx(expected)
