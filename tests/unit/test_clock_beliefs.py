"""How it is weighed where two clocks stood: each step against a plain reckoning of its own."""

from __future__ import annotations

import math
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.assessment.clock_offset import Floats, Places
from services.assessment.clock_tracks import (
    Belief,
    Sightings,
    Track,
    _drawn_spread_s,
    _fit,
    _prior_density,
    _prior_mass,
    _same,
    _spread_s,
    _sweep,
    believe,
    sightings,
)

USUAL_SPREAD_S = 1.3
USUAL_DRIFT = 200e-6
NO_TRACK = 0.02
JUMP = 5e-4
FOREIGN_PER_S = 3e-4


def alike(i: Places, _j: Places) -> Floats:
    """Say nothing for or against any pair."""
    return np.zeros(len(i))


# A track


def test_a_track_drifts_from_its_middle_and_is_the_same_for_one_time_as_for_many() -> None:
    track = Track(10.0, 0.5, 100.0)

    assert track.at(np.array([100.0, 104.0, 90.0])).tolist() == [10.0, 12.0, 5.0]
    assert [track.at_one(at_s) for at_s in (100.0, 104.0, 90.0)] == [10.0, 12.0, 5.0]


def test_a_track_sees_the_images_within_25_s_of_where_it_expects_one() -> None:
    seen = sightings(
        Track(10.0, 0.0, 0.0), np.array([0.0, 100.0]), np.array([-15.1, -15.0, 35.0, 35.1, 112.0])
    )

    assert list(zip(seen.i.tolist(), seen.j.tolist(), strict=True)) == [(0, 1), (0, 2), (1, 4)]
    assert seen.residual_s.tolist() == [-25.0, 25.0, 2.0]


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (Track(2.9, 0.0, 0.0), True),
        (Track(3.0, 0.0, 0.0), False),
        (Track(-2.9, 0.0, 0.0), True),
        (Track(-3.0, 0.0, 0.0), False),
        (Track(0.0, 0.029, 0.0), True),
        (Track(2.0, 0.02, 0.0), False),
    ],
)
def test_tracks_are_the_same_that_lie_within_3_s_at_both_ends_of_the_day(
    other: Track, same: bool
) -> None:
    assert _same(Track(0.0, 0.0, 0.0), other, (-100.0, 100.0)) is same


# The offset at each exposure


def held_belief(held: list[list[float]]) -> Belief:
    nothing = Sightings(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
    tracks = (Track(10.0, 0.0, 0.0), Track(20.0, 1.0, 0.0))
    shares = np.array(held)
    return Belief(tracks, (nothing, nothing), shares, shares, (1.0, 1.0), 1.0)


FIRST, SECOND, NONE = [0.8, 0.1], [0.1, 0.7], [0.3, 0.2]


@pytest.mark.parametrize(
    ("held", "offsets_s"),
    [
        ([FIRST, SECOND], [10.0, 21.0]),
        ([NONE, NONE], [0.0, 0.0]),
        ([FIRST, NONE, NONE, SECOND], [10.0, 10.0, 22.0, 23.0]),
        ([FIRST, NONE, SECOND], [10.0, 10.0, 22.0]),
        ([NONE, NONE, SECOND, FIRST, NONE], [20.0, 21.0, 22.0, 10.0, 10.0]),
    ],
)
def test_an_exposure_of_no_likely_track_has_that_of_its_nearest_neighbour_or_none(
    held: list[list[float]], offsets_s: list[float]
) -> None:
    times_s = np.arange(len(held), dtype=float)

    assert held_belief(held).offset_s(times_s).tolist() == offsets_s


# What is thought before anything is seen


@pytest.mark.parametrize("read", [True, False])
def test_what_is_thought_before_is_a_density_alike_on_both_sides(read: bool) -> None:
    at_s = np.arange(-5000.0, 5000.0, 2.0) + 1.0

    density = np.array([_prior_density(one, read) for one in at_s.tolist()])

    assert density.sum() * 2.0 == pytest.approx(1.0, abs=0.01)
    assert density == pytest.approx(density[::-1])
    assert np.all(density > 0.0)


@pytest.mark.parametrize(
    ("read", "hour", "wide", "spread_s"), [(False, 0.02, 0.10, 8.0), (True, 0.002, 0.01, 5.0)]
)
def test_clocks_are_mostly_right_seldom_minutes_off_and_more_seldom_by_an_hour(
    read: bool, hour: float, wide: float, spread_s: float
) -> None:
    def density(at_s: float) -> float:
        return _prior_density(at_s, read)

    flat = (1.0 - hour) * wide / 1800.0
    aside = hour / 2.0 * wide / 1800.0
    near = (1.0 - wide) / (2.0 * spread_s)
    assert density(600.0) == density(900.0) == pytest.approx(flat, rel=1e-4)
    assert density(901.0) == pytest.approx(1e-12, rel=1e-3)
    assert density(0.0) == pytest.approx(flat + (1.0 - hour) * near)
    assert density(spread_s) - flat == pytest.approx((1.0 - hour) * near / math.e)
    assert density(3600.0) == density(-3600.0) == pytest.approx(hour / 2.0 * near + aside)
    assert density(2700.0) == density(4500.0) == pytest.approx(aside, rel=1e-3)


def test_a_tracks_share_before_is_the_density_over_what_its_pairs_cannot_tell_apart() -> None:
    for read in (True, False):
        share = _prior_mass(Track(5.0, 1.0, 900.0), read)
        assert share == pytest.approx(2.50663 * USUAL_SPREAD_S * _prior_density(5.0, read))


# The fit of a track


def fitted(track: Track, exposure_s: Floats, image_s: Floats) -> Track:
    """Weighted least squares over the pairs within 7 s, three times; one row holds the drift."""
    for _ in range(3):
        pairs = [
            (at_s, shown_s - at_s, shown_s - at_s - float(track.at(np.array([at_s]))[0]))
            for at_s in exposure_s.tolist()
            for shown_s in image_s.tolist()
        ]
        near = [pair for pair in pairs if abs(pair[2]) <= 7.0]
        if len(near) < 2:
            return track
        root = np.exp([-(left_s**2) / 36.0 for _, _, left_s in near])
        since_s = np.array([at_s - track.middle_s for at_s, _, _ in near])
        rows = np.column_stack([root, root * since_s])
        holds = [0.0, USUAL_SPREAD_S / USUAL_DRIFT]
        told = np.append(root * np.array([apart_s for _, apart_s, _ in near]), 0.0)
        offset_s, drift = np.linalg.lstsq(np.vstack([rows, holds]), told, rcond=None)[0]
        track = Track(float(offset_s), float(drift), track.middle_s)
    return track


@settings(max_examples=25)
@given(seed=st.integers(0, 10**6), count=st.integers(1, 12))
def test_a_track_is_fitted_as_weighted_least_squares_fit_it(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    exposure_s = rng.uniform(0.0, 9000.0, count)
    drift = rng.uniform(-4e-4, 4e-4)
    image_s = np.sort(exposure_s * (1.0 + drift) + 30.0 + rng.normal(0.0, 2.0, count))
    start = Track(30.0, 0.0, 4500.0)

    found, wanted = _fit(start, exposure_s, image_s), fitted(start, exposure_s, image_s)

    assert found.offset_s == pytest.approx(wanted.offset_s, abs=1e-6)
    assert found.drift == pytest.approx(wanted.drift, abs=1e-9)
    assert found.middle_s == 4500.0


def test_one_pair_alone_fits_nothing_and_two_do() -> None:
    start = Track(0.0, 0.0, 0.0)

    assert _fit(start, np.array([0.0]), np.array([4.0])) is start
    assert _fit(start, np.array([0.0, 90.0]), np.array([4.0, 98.0])) is start
    moved = _fit(start, np.array([0.0, 90.0]), np.array([4.0, 94.0]))
    assert moved.offset_s == pytest.approx(4.0, abs=1e-3)


# The spread of the delay


def drawn_s(missed: Floats) -> float:
    """The median's normal-consistent spread, 8 exposures of the usual one beside it."""
    own_s = 1.4826 * float(np.median(missed))
    return (len(missed) * own_s + 8.0 * USUAL_SPREAD_S) / (len(missed) + 8.0)


@settings(max_examples=40)
@given(st.lists(st.floats(0.0, 10.0), min_size=4, max_size=30))
def test_the_spread_is_drawn_from_the_median_to_the_usual_one_in_quarters(
    missed_s: list[float],
) -> None:
    found = _drawn_spread_s(np.array(missed_s))

    assert 0.5 <= found <= 4.0
    assert found % 0.25 == 0.0
    wanted = min(max(drawn_s(np.array(missed_s)), 0.5), 4.0)
    assert found == pytest.approx(wanted, abs=0.125 + 1e-9)


def test_what_missed_by_more_than_10_s_is_no_pair_and_three_pairs_are_too_few() -> None:
    four = [3.0, 3.0, 3.0, 3.0]

    assert _drawn_spread_s(np.array(four[:3])) == USUAL_SPREAD_S
    assert _drawn_spread_s(np.array(four)) == 2.25
    assert _drawn_spread_s(np.array([*four[:3], 10.0])) == 2.25
    assert _drawn_spread_s(np.array([*four[:3], 10.1])) == USUAL_SPREAD_S
    assert _drawn_spread_s(np.zeros(500)) == 0.5
    assert _drawn_spread_s(np.full(500, 9.0)) == 4.0


def test_the_pairs_of_an_exposure_that_is_not_sure_of_its_track_tell_no_spread() -> None:
    places = np.arange(12)
    near = Sightings(places, places, np.full(12, 0.0))
    far = Sightings(places, places, np.full(12, -6.0))
    tracks = (Track(0.0, 0.0, 0.0), Track(6.0, 0.0, 0.0))

    def spread_s(first: float, second: float) -> float:
        held = np.tile([first, second], (12, 1))
        return _spread_s(Belief(tracks, (near, far), held, held, (1.0, 1.0), 1.0), (near, far))

    assert spread_s(0.95, 0.05) == 0.5
    assert spread_s(0.05, 0.95) == 4.0
    assert spread_s(0.9, 0.1) == USUAL_SPREAD_S
    assert spread_s(0.1, 0.9) == USUAL_SPREAD_S
    assert spread_s(0.45, 0.45) == USUAL_SPREAD_S


# The hidden chain


def test_a_sweep_gives_each_exposure_what_those_before_it_say() -> None:
    before = [0.3, 0.1]
    rows = _sweep([[2.0, 4.0], [1.0, 1.0], [9.0, 9.0]], before)

    start = np.array([0.75, 0.25])
    told = np.array([0.6, 0.4])
    then = (1.0 - JUMP) * told + JUMP * start
    assert np.array(rows) == pytest.approx(
        np.array([start, then, (1.0 - JUMP) * then + JUMP * start])
    )


def by_all_paths(
    found: Belief, makes_image: Floats, agreement: Floats, *, read: bool
) -> tuple[Floats, Floats, Floats]:
    """Reckon shares by adding up every path that the clocks may have taken."""
    count, states = len(makes_image), len(found.tracks) + 1
    density = np.zeros((count, states))
    for k, seen in enumerate(found.seen):
        for i, j, left_s in zip(seen.i, seen.j, seen.residual_s, strict=True):
            core = math.exp(-0.5 * (left_s / found.spread_s) ** 2) / found.spread_s
            tail = math.exp(-0.5 * (left_s / 8.0) ** 2) / 8.0
            own = (0.97 * core + 0.03 * tail) / math.sqrt(2.0 * math.pi)
            density[i, k] += own * math.exp(agreement[i, j])
    imaged = makes_image[:, None] * density / FOREIGN_PER_S
    shown = 1.0 - makes_image[:, None] + imaged
    shown[:, -1] = 1.0
    imaged[:, -1] = 0.0
    before = np.array([_prior_mass(track, read) for track in found.tracks] + [NO_TRACK])
    before /= before.sum()
    others, held, speaks = (np.zeros((count, states)) for _ in range(3))
    for path in product(range(states), repeat=count):
        chance = before[path[0]]
        for one, other in pairwise(path):
            chance *= JUMP * before[other] + (1.0 - JUMP) * (one == other)
        factors = [shown[i, k] for i, k in enumerate(path)]
        whole = chance * math.prod(factors)
        for i, k in enumerate(path):
            held[i, k] += whole
            others[i, k] += whole / factors[i]
            speaks[i, k] += whole * imaged[i, k] / factors[i]
    total = held.sum(axis=1, keepdims=True)
    return (
        (others / others.sum(axis=1, keepdims=True))[:, :-1],
        (held / total)[:, :-1],
        (speaks / total)[:, :-1].sum(axis=0),
    )


@pytest.mark.parametrize("read", [True, False])
@pytest.mark.parametrize(
    ("exposure_s", "image_s"),
    [
        ([0.0, 61.0, 152.0, 200.0], [60.0, 121.0, 213.0, 261.5]),
        ([0.0, 61.0, 152.0, 200.0], [1.0, 61.0, 252.0, 301.0]),
        ([0.0, 61.0, 152.0], [9.0, 70.5]),
        ([0.0, 4.0, 300.0], [2.0, 6.0, 330.0]),
        ([50.0], [65.0]),
        ([0.0, 61.0], [1500.0]),
    ],
)
def test_what_is_believed_is_what_all_paths_of_the_clocks_add_up_to(
    exposure_s: list[float], image_s: list[float], read: bool
) -> None:
    makes_image = np.array([0.95, 0.3, 0.6, 0.95][: len(exposure_s)])
    agreement = np.array([[0.3, -0.4, 0.0, 0.6]] * 4) + np.arange(4)[:, None] * 0.2

    found = believe(
        np.array(exposure_s),
        np.array(image_s),
        makes_image,
        lambda i, j: agreement[i, j],
        read=read,
    )

    others, held, support = by_all_paths(found, makes_image, agreement, read=read)
    assert found.others == pytest.approx(others, rel=1e-9, abs=1e-12)
    assert found.held == pytest.approx(held, rel=1e-9, abs=1e-12)
    assert found.support == pytest.approx(support.tolist(), rel=1e-9, abs=1e-12)


# Which tracks are looked at


def looked_at(exposure_s: list[float], image_s: list[float]) -> Belief:
    makes_image = np.full(len(exposure_s), 0.95)
    return believe(np.array(exposure_s), np.array(sorted(image_s)), makes_image, alike, read=False)


def offsets_s(found: Belief) -> list[float]:
    return [round(track.offset_s) for track in found.tracks]


def test_no_more_than_seven_tracks_are_looked_at_the_likeliest_before_anything_is_seen() -> None:
    minutes = [40.0 * n for n in range(-5, 6) if n]

    assert len(looked_at([0.0], minutes).tracks) == 7
    # A whole hour is thought likelier than some minutes, though it is further away.
    found = looked_at([0.0], [*minutes, 3600.0])
    assert set(offsets_s(found)) == {-120, -80, -40, 40, 80, 120, 3600}


@pytest.mark.parametrize(("nearer", "looked"), [(6, True), (7, False)])
def test_of_many_offsets_the_fourteen_nearest_are_looked_at(nearer: int, looked: bool) -> None:
    images = [40.0 * n for n in range(-nearer, nearer + 1) if n]

    assert (3600 in offsets_s(looked_at([0.0], [*images, 3600.0]))) is looked


def test_one_more_pair_outweighs_clocks_that_are_somewhat_less_likely_and_no_more() -> None:
    exposure_s = [0.0, 300.0, 700.0]

    for ahead_s, first in ((36.0, 36), (44.0, 0)):
        images = [0.0, 300.0, *(at_s + ahead_s for at_s in exposure_s)]
        assert offsets_s(looked_at(exposure_s, images))[0] == first


def test_a_track_stands_in_the_middle_of_the_day_and_two_that_become_one_are_one() -> None:
    found = looked_at([500.0, 0.0, 100.0, 300.0], [0.0, 100.0, 300.0, 500.0])

    assert {track.middle_s for track in found.tracks} == {250.0}
    pairs = [(a, b) for n, a in enumerate(found.tracks) for b in found.tracks[:n]]
    assert not any(_same(a, b, (0.0, 500.0)) for a, b in pairs)


def test_of_no_exposures_or_no_images_nothing_is_believed() -> None:
    for exposure_s, image_s in (([], [1.0]), ([1.0, 2.0], []), ([], [])):
        found = looked_at(exposure_s, image_s)
        assert (found.tracks, found.seen, found.support) == ((), (), ())
        assert found.held.shape == found.others.shape == (len(exposure_s), 0)
        assert found.spread_s == USUAL_SPREAD_S
