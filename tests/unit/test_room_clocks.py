"""All clocks of a room on one: who stands when on it, and in which order exposures were made."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.assessment.clock_offset import ClockReading, Clocks, Floats
from services.assessment.clock_tracks import Belief, Sightings, Track, believe
from services.assessment.pairing_scores import MAKES_IMAGE, Agreement, Exposure, Image
from services.assessment.room_clocks import ClockPair, RoomClocks, nearest_places

UNREAD = Clocks.of(())
TIMES = (0.0, 61.0, 152.0, 200.0, 311.0, 390.0, 433.0, 520.0)
AHEAD_S = 64.0


def exposure(number: int, at_s: float, device: str = "generator-1", **changes: Any) -> Exposure:
    values: dict[str, Any] = {
        "tube_kv": 65.0,
        "tube_current_ma": 7.0,
        "set_exposure_ms": 120.0,
        "exposure_ms": 120.0,
    } | changes
    return Exposure(f"{device}-{number}", device, at_s, **values)


def image(number: int, at_s: float, device: str = "station-1", **changes: Any) -> Image:
    return Image(f"{device}-{number}", "2.25.1", device, at_s, **changes)


def room(
    exposures: list[Exposure],
    images: list[Image],
    clocks: Clocks = UNREAD,
    scanned: tuple[int, ...] = (),
) -> RoomClocks:
    return RoomClocks(exposures, images, clocks, Agreement(exposures, images), scanned)


def day(ahead_s: float = AHEAD_S, **changes: Any) -> tuple[list[Exposure], list[Image]]:
    exposures = [exposure(n, s, **changes) for n, s in enumerate(TIMES)]
    return exposures, [image(n, s + ahead_s) for n, s in enumerate(TIMES)]


# The order of exposures


def chain(*told: tuple[float, int | None]) -> list[int]:
    exposures = [exposure(n, s, counter=counter) for n, (s, counter) in enumerate(told)]
    return [int(place) for place in room(exposures, []).chain]


def test_exposures_stand_in_the_order_of_their_counter_though_their_clock_was_set_back() -> None:
    assert chain((100.0, 7), (40.0, 8), (160.0, 6)) == [2, 0, 1]
    assert chain((100.0, 1), (40.0, 0)) == [1, 0]
    assert chain((40.0, 1), (100.0, 0)) == [1, 0]
    assert chain((50.0, 7), (40.0, 7)) == [1, 0]


def test_without_a_counter_of_each_they_stand_in_the_order_of_time_and_then_of_key() -> None:
    assert chain((100.0, 7), (40.0, None), (160.0, 6)) == [1, 0, 2]
    assert chain((100.0, None), (40.0, None), (40.0, None)) == [1, 2, 0]


@pytest.mark.parametrize(("backsteps", "by_counter"), [(3, True), (4, False)])
def test_a_counter_that_contradicts_the_clock_more_than_three_times_is_not_believed(
    backsteps: int, by_counter: bool
) -> None:
    pairs = [(n + half * -5.0, 2 * n + int(half)) for n in range(8) for half in (0.0, 1.0)]
    told = [(100.0 * s, counter) for s, counter in pairs[: 2 * backsteps]]

    found = chain(*told)

    counted = list(range(len(told)))
    assert found == (counted if by_counter else sorted(counted, key=lambda n: told[n]))
    assert counted != sorted(counted, key=lambda n: told[n])


def test_equal_times_are_no_step_back() -> None:
    told = [(50.0, 9 - n) for n in range(6)]

    assert chain(*told) == [5, 4, 3, 2, 1, 0]


def test_the_busiest_generator_and_station_come_first_and_else_those_first_by_name() -> None:
    exposures = [exposure(1, 0.0, "a"), exposure(2, 50.0, "b"), exposure(3, 90.0, "b")]
    images = [image(1, 5.0, "z"), image(2, 55.0, "y")]

    found = room(exposures, images)

    assert found.generators == 2
    assert found.chain.tolist() == [1, 2, 0]
    assert [(pair.generator, pair.station) for pair in found.pairs] == [
        ("b", "y"),
        ("a", "y"),
        ("b", "z"),
        ("a", "z"),
    ]
    assert [pair.images.tolist() for pair in found.pairs] == [[1], [1], [0], [0]]


# What is believed of each two


def same(found: Belief, wanted: Belief) -> bool:
    return (
        found.tracks == wanted.tracks
        and found.spread_s == wanted.spread_s
        and np.array_equal(found.held, wanted.held)
        and np.array_equal(found.others, wanted.others)
    )


def weighed(
    exposures: list[Exposure], images: list[Image], share: float, read: bool = False
) -> Belief:
    """What these say of two clocks, where each exposure has this share of its usual chance."""
    agreement = Agreement(exposures, images)
    return believe(
        np.array([e.at_s for e in exposures]),
        np.array([i.at_s for i in images]),
        np.array([e.makes_image for e in exposures]) * share,
        agreement.scores,
        read=read,
    )


def test_an_exposure_is_expected_at_a_station_as_often_as_that_makes_the_rooms_images() -> None:
    exposures, images = day()
    elsewhere = [image(n, 9000.0 * n, "station-2") for n in range(1, 9)]

    found = room(exposures, [*images, *elsewhere]).pairs[0].belief

    assert same(found, weighed(exposures, images, 0.5))
    assert not same(found, weighed(exposures, images, 1.0))


def test_scanned_images_say_nothing_of_the_clocks_and_are_not_counted_among_the_others() -> None:
    exposures, images = day()
    scans = [image(100 + n, 400.0 + n) for n in range(3)]

    found = room(exposures, [*images, *scans], scanned=(8, 9, 10)).pairs[0]

    assert found.images.tolist() == list(range(8))
    assert same(found.belief, weighed(exposures, images, 1.0))


def test_where_every_image_was_scanned_or_there_is_but_one_the_clocks_are_weighed_too() -> None:
    exposures, _ = day()
    scan = image(1, 30.0)

    assert room(exposures, [scan], scanned=(0,)).pairs[0].belief.tracks == ()
    assert same(room(exposures, [scan]).pairs[0].belief, weighed(exposures, [scan], 1.0))


def test_exposures_on_plates_say_nothing_of_the_clocks() -> None:
    exposures, images = day(plate=True)

    (pair,) = room(exposures, images).pairs

    assert pair.belief.support == pytest.approx([0.0] * len(pair.belief.tracks))
    assert MAKES_IMAGE > 0.5


@pytest.mark.parametrize(
    "read", [(), ("generator-1",), ("station-1",), ("generator-1", "station-1")]
)
def test_two_clocks_are_read_where_both_are(read: tuple[str, ...]) -> None:
    exposures, images = day(ahead_s=30.0)
    clocks = Clocks.of([ClockReading(device, 0.0, 0.0) for device in read])

    found = room(exposures, images, clocks).pairs[0].belief

    assert same(found, weighed(exposures, images, 1.0, read=len(read) == 2))
    assert not same(found, weighed(exposures, images, 1.0, read=len(read) != 2))


def test_what_images_show_is_weighed_with_the_exposures_in_their_order() -> None:
    settings = (80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 320.0, 400.0)
    exposures = [
        exposure(n, s, exposure_ms=ms, set_exposure_ms=ms)
        for n, (s, ms) in enumerate(zip(TIMES, settings, strict=True))
    ]
    images = [
        image(n, s + AHEAD_S, exposure_ms=ms)
        for n, (s, ms) in enumerate(zip(TIMES, settings, strict=True))
    ]

    found = room(exposures[::-1], images[::-1])

    assert found.chain.tolist() == list(range(7, -1, -1))
    assert same(found.pairs[0].belief, weighed(exposures, images, 1.0))


def test_readings_take_the_error_from_each_time_first() -> None:
    exposures, images = day()
    clocks = Clocks.of(
        [ClockReading("generator-1", 0.0, 7.0), ClockReading("station-1", 0.0, -3.0)]
    )

    found = room(exposures, images, clocks)

    assert found.exposure_s == pytest.approx([s - 7.0 for s in TIMES])
    assert found.image_s == pytest.approx([s + AHEAD_S + 3.0 for s in TIMES])


# One clock common to all


def test_on_the_common_clock_a_true_pair_stands_at_the_same_time_whoever_told_it() -> None:
    # given: two generators and two stations, none of whose clocks is another's
    times = np.cumsum(np.random.default_rng(1).uniform(40.0, 200.0, 24)).tolist()
    exposures, images = [], []
    for n, at_s in enumerate(times):
        late = n % 3 == 0
        exposures.append(exposure(n, at_s + (100.0 if late else 0.0), f"generator-{1 + late}"))
        other = n % 4 == 0
        images.append(image(n, at_s + (-200.0 if other else AHEAD_S), f"station-{1 + other}"))

    found = room(exposures, images)
    exposures_s, images_s = found.common_times_s()

    # then
    assert exposures_s == pytest.approx(images_s, abs=0.5)
    assert images_s == pytest.approx([s + AHEAD_S for s in times], abs=0.5)
    assert found.exposure_s[0] == times[0] + 100.0
    # Its own clock is the line of the busiest generator, and the other is brought onto it.
    line_s = found.line_s(exposures_s)
    assert line_s == pytest.approx(times, abs=0.5)
    busiest = [n for n in range(24) if n % 3]
    assert line_s[busiest].tolist() == found.exposure_s[busiest].tolist()


@pytest.mark.parametrize(("plate", "moved_s"), [(False, -10.0), (True, AHEAD_S)])
def test_a_station_is_moved_by_the_generator_that_speaks_for_it_else_with_the_busiest(
    plate: bool, moved_s: float
) -> None:
    exposures, images = day()
    exposures.append(exposure(1, 90_000.0, "generator-2", plate=plate))
    images.append(image(1, 90_010.0, "station-2"))

    _, images_s = room(exposures, images).common_times_s()

    assert images_s[-1] == pytest.approx(90_010.0 + moved_s, abs=0.5)


def test_a_room_without_images_has_nothing_to_be_moved_by() -> None:
    exposures, images = day()

    alone = room(exposures, [])
    assert alone.common_times_s()[0].tolist() == list(TIMES)
    assert alone.line_s(np.array(TIMES) + 5.0).tolist() == list(TIMES)
    assert (alone.pairs, alone.explained(), alone.stands()) == ([], set(), ())
    nobody = room([], images)
    assert nobody.chain.tolist() == []
    assert nobody.common_times_s()[1].tolist() == [s + AHEAD_S for s in TIMES]


@pytest.mark.parametrize(
    ("told_s", "by_common"),
    [
        ((0.0, 60.0, 59.5, 200.0), True),
        ((0.0, 60.0, 60.0, 200.0), False),
        ((0.0, 60.0, 60.5, 200.0), False),
    ],
)
def test_only_a_clock_that_ran_back_leaves_the_line_to_the_common_clock(
    told_s: tuple[float, ...], by_common: bool
) -> None:
    exposures = [exposure(n, s, counter=n) for n, s in enumerate(told_s)]
    found = room(exposures, [image(n, 97.0 * n) for n in range(4)])
    common_s = np.array([3.0, 70.0, 130.0, 210.0])

    line_s = found.line_s(common_s)

    assert line_s.tolist() == (common_s.tolist() if by_common else list(told_s))


def test_the_other_generators_line_is_by_the_nearest_of_the_busiest_on_the_common_clock() -> None:
    exposures = [exposure(n, s) for n, s in enumerate((0.0, 100.0, 200.0))]
    exposures += [exposure(n, s, "generator-2") for n, s in enumerate((1000.0, 1090.0))]
    found = room(exposures, [image(1, 0.0)])

    # given: the busiest generator's exposures stand in another order on the common clock
    line_s = found.line_s(np.array([520.0, 110.0, 205.0, 115.0, 500.0]))

    # then: each is as far from its neighbour's own time as on the common clock
    assert line_s.tolist() == [0.0, 100.0, 200.0, 115.0 - 10.0, 500.0 - 520.0]


# What a track explains


def explaining(held: float, residual_s: Floats, spread_s: float) -> set[int]:
    count = len(residual_s)
    shares = np.full((count, 1), held)
    places = np.arange(count)
    belief = Belief(
        (Track(0.0, 0.0, 0.0),),
        (Sightings(places, places, residual_s),),
        shares,
        shares,
        (1.0,),
        spread_s,
    )
    found = room([], [])
    found.pairs = [ClockPair("generator-1", "station-1", places, places + 10, belief)]
    return found.explained()


def test_an_image_within_three_spreads_of_a_likely_track_is_explained() -> None:
    residual_s = np.array([0.0, 5.9, -6.0, 6.1, -7.9])

    assert explaining(0.6, residual_s, 2.0) == {10, 11, 12}
    assert explaining(0.5, residual_s, 2.0) == set()
    assert explaining(1.0, residual_s, 0.5) == {10}


def test_the_stands_of_a_room_name_their_devices_and_begin_at_the_first_exposure() -> None:
    exposures, images = day()

    (stand,) = room(exposures, images).stands()

    assert (stand.generator, stand.station) == ("generator-1", "station-1")
    assert stand.ahead_s == pytest.approx(AHEAD_S, abs=0.5)
    assert (stand.from_s, stand.until_s) == (TIMES[0], None)


# The nearest of some times


@given(
    times=st.lists(st.integers(0, 60), min_size=1, max_size=8, unique=True),
    wanted=st.lists(st.integers(-20, 80), max_size=8),
)
def test_the_nearest_time_is_found_and_of_two_the_earlier(
    times: list[int], wanted: list[int]
) -> None:
    ordered = sorted(times)

    found = nearest_places(np.array(ordered, dtype=float), np.array(wanted, dtype=float))

    places = range(len(ordered))
    assert found.tolist() == [min(places, key=lambda n: abs(ordered[n] - at)) for at in wanted]
