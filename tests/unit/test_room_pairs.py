"""All pairs of exposure and image that the clocks of a room allow."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from services.assessment.pairing_scores import Exposure, Image, time_density
from services.assessment.room_pairs import RoomPairs, gather
from tests.known_clocks import SPREAD_S, KnownTrack, known_clocks


def gathered(
    exposure_s: Sequence[float],
    image_s: Sequence[float],
    *tracks: KnownTrack,
    open_e: Sequence[int] | None = None,
    open_i: Sequence[int] | None = None,
) -> RoomPairs:
    exposures = [
        Exposure(f"e{n}", "generator-1", at, 65.0, 7.0, 120.0, 120.0)
        for n, at in enumerate(exposure_s)
    ]
    images = [Image(f"i{n}", "A", "station-1", at) for n, at in enumerate(image_s)]
    return gather(
        known_clocks(exposures, images, *tracks),
        range(len(exposures)) if open_e is None else open_e,
        range(len(images)) if open_i is None else open_i,
    )


def members(found: RoomPairs) -> list[tuple[int, int]]:
    return list(zip(found.first.tolist(), found.second.tolist(), strict=True))


def density(residual_s: float) -> float:
    return float(time_density(np.array([residual_s]), SPREAD_S)[0])


def test_a_pair_is_as_dense_as_its_time_and_its_tracks_share_at_its_exposure() -> None:
    found = gathered([100.0, 200.0], [103.0, 199.0], KnownTrack(2.0, others=[0.5, 0.25]))

    assert members(found) == [(0, 0), (1, 1)]
    assert found.residual_s == pytest.approx([1.0, -3.0])
    assert found.density == pytest.approx([0.5 * density(1.0), 0.25 * density(-3.0)])


@pytest.mark.parametrize(
    ("exposure_s", "image_s"), [([100.0], [100.0]), ([100.0], [99.0, 101.0, 105.0])]
)
def test_each_exposure_is_paired_with_each_image_near_it(
    exposure_s: list[float], image_s: list[float]
) -> None:
    found = gathered(exposure_s, image_s, KnownTrack())

    assert members(found) == [(0, n) for n in range(len(image_s))]
    assert found.residual_s == pytest.approx([at - 100.0 for at in image_s])


def test_what_several_tracks_say_of_a_pair_is_added_and_the_likeliest_tells_how_far_off() -> None:
    near, far = KnownTrack(0.0, others=0.2), KnownTrack(-3.0, others=0.7)
    both = 0.2 * density(0.5) + 0.7 * density(3.5)

    for tracks in ((near, far), (far, near)):
        found = gathered([100.0, 300.0], [100.5, 300.5], *tracks)

        assert members(found) == [(0, 0), (1, 1)]
        assert found.density == pytest.approx([both, both])
        assert found.residual_s == pytest.approx([0.5, 0.5])


def test_pairs_are_named_by_their_places_among_the_open_ones() -> None:
    times = [100.0, 110.0, 120.0, 130.0]

    found = gathered(times, times, KnownTrack(), open_e=[1, 3], open_i=[0, 3])

    assert members(found) == [(0, 0), (0, 1), (1, 1)]
    assert found.residual_s == pytest.approx([-10.0, 20.0, 0.0])


@pytest.mark.parametrize(("open_e", "open_i"), [([], [0, 1]), ([0, 1], []), ([], [])])
def test_where_one_side_has_none_open_there_is_no_pair(
    open_e: list[int], open_i: list[int]
) -> None:
    found = gathered([100.0, 110.0], [100.0, 110.0], KnownTrack(), open_e=open_e, open_i=open_i)

    assert members(found) == []
    assert len(found.density) == len(found.residual_s) == len(found.guessed) == 0


def test_a_track_that_hardly_anything_speaks_for_is_left_out_and_others_are_not() -> None:
    unlikely, just = KnownTrack(5.0, others=[0.9e-7]), KnownTrack(0.0, others=[1e-7])

    found = gathered([100.0], [100.0], unlikely, just)

    assert found.density == pytest.approx([1e-7 * density(0.0)])
    assert members(gathered([100.0], [100.0], unlikely)) == []


def test_a_pair_that_is_next_to_impossible_is_left_out() -> None:
    shares = [1.0, 1e-13, 1e-11]

    found = gathered([100.0, 200.0, 300.0], [100.0, 200.0, 300.0], KnownTrack(others=shares))

    assert members(found) == [(0, 0), (2, 2)]


def test_an_impossible_pair_of_members_that_are_not_open_is_left_out_too() -> None:
    shares = [1e-13, 1.0]

    found = gathered([100.0, 200.0], [100.0, 200.0], KnownTrack(others=shares), open_e=[1])

    assert members(found) == [(0, 1)]


@pytest.mark.parametrize(
    ("ahead_s", "held", "support", "guessed"),
    [
        # Clocks within twenty seconds are right by themselves.
        (20.0, 1.0, 1.0, False),
        (-20.0, 1.0, 1.0, False),
        (20.5, 1.0, 1.0, True),
        (-20.5, 1.0, 1.0, True),
        # Further apart they need as much as four fifths of another exposure.
        (300.0, 0.5, 1.3, False),
        (300.0, 0.5, 1.29, True),
        (300.0, 1.0, 1.5, True),
        (300.0, 1.0, 2.0, False),
        (300.0, 0.1, 0.85, True),
    ],
)
def test_clocks_far_apart_are_a_guess_where_nothing_but_the_pair_speaks_for_them(
    ahead_s: float, held: float, support: float, guessed: bool
) -> None:
    track = KnownTrack(ahead_s, held=held, support=support)

    found = gathered([1000.0], [1000.0 + ahead_s], track)

    assert found.guessed.tolist() == [guessed]


def test_whether_a_pair_is_a_guess_is_told_by_its_likeliest_track() -> None:
    right = KnownTrack(15.0, others=0.9)
    odd = KnownTrack(21.0, others=0.1, support=0.5)

    assert gathered([1000.0], [1016.0], right, odd).guessed.tolist() == [False]
    assert gathered([1000.0], [1021.0], right, odd).guessed.tolist() == [True]
