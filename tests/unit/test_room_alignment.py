"""What is told of each pair of the best alignment, by clocks and rates that are known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from services.assessment.link_judgement import Candidate, DayRates, Link
from services.assessment.pairing_scores import Exposure, Image, time_density
from services.assessment.room_alignment import align_open, open_candidates
from services.assessment.weighed_room import WeighedRoom
from tests.known_clocks import SPREAD_S, KnownTrack, known_room

RATES = DayRates(foreign_per_s=0.01, lost=0.05, spread_s=SPREAD_S)
MAKES = 0.95


def exposure(name: str, at_s: float, **told: object) -> Exposure:
    return replace(Exposure(name, "generator-1", at_s, 65.0, 7.0, 120.0, 120.0), **told)  # type: ignore[arg-type]


def image(name: str, at_s: float, study: str = "A", **told: object) -> Image:
    return replace(Image(name, study, "station-1", at_s), **told)  # type: ignore[arg-type]


def share_of(log_odds: float, residual_s: float = 0.0) -> float:
    """Give the share of a track under which a pair has these odds against both staying alone."""
    per_share = float(time_density(np.array([residual_s]), SPREAD_S)[0])
    return math.exp(log_odds) * RATES.foreign_per_s * (1.0 - MAKES) / MAKES / per_share


def chance(*log_odds: float) -> float:
    """Give the probability of the first of a member's pairs, of which one or none is true."""
    return math.exp(log_odds[0]) / (1.0 + sum(map(math.exp, log_odds)))


def candidates(room: WeighedRoom, known: Sequence[Link] = ()) -> dict[str, Candidate]:
    taken_e = {one.exposure for one in known if one.accepted}
    taken_i = {one.image for one in known}
    open_e = [n for n, one in enumerate(room.exposures) if one.key not in taken_e]
    open_i = [n for n, one in enumerate(room.images) if one.key not in taken_i]
    return {one.exposure.key: one for one in open_candidates(room, open_e, open_i, known)}


@pytest.mark.parametrize("log_odds", [0.5, 2.0, 5.0])
def test_a_lone_pair_is_as_likely_as_its_odds_against_both_being_alone(log_odds: float) -> None:
    room = known_room(
        [exposure("e", 100.0)],
        [image("i", 101.5)],
        RATES,
        KnownTrack(others=share_of(log_odds, 1.5)),
    )

    one = candidates(room)["e"]

    assert (one.exposure.key, one.image.key, one.at_s) == ("e", "i", 100.0)
    assert one.probability == pytest.approx(chance(log_odds))
    assert one.residual_s == pytest.approx(1.5)
    assert (one.other_study, one.agreement, one.guessed_clock, one.settled) == (0, 0, False, False)


def test_a_pair_less_likely_than_both_being_alone_is_no_candidate() -> None:
    members = [exposure("e", 100.0)], [image("i", 100.0)]
    room = known_room(*members, RATES, KnownTrack(others=share_of(-2.0)))

    assert candidates(room) == {}


def test_technique_speaks_for_or_against_a_pair() -> None:
    rare = [exposure("e", 100.0), *(exposure(f"o{n}", 900.0 + n, tube_kv=60.0) for n in range(4))]
    room = known_room(
        rare, [image("i", 100.0, tube_kv=65.0)], RATES, KnownTrack(others=share_of(1))
    )

    one = candidates(room)["e"]

    # One of five agrees: by chance, held off by one answer of each kind, two of seven.
    told = math.log(0.99 / (2 / 7))
    assert one.agreement == pytest.approx(told)
    assert one.probability == pytest.approx(chance(1.0 + told))


@pytest.mark.parametrize(("told", "against"), [(None, 0.0), ("A", 0.0), ("B", 12.0)])
def test_an_exposure_told_for_another_study_has_its_pair_weighed_down(
    told: str | None, against: float
) -> None:
    members = [exposure("e", 100.0, study=told)], [image("i", 100.0)]
    room = known_room(*members, RATES, KnownTrack(others=share_of(13.0)))

    assert candidates(room)["e"].probability == pytest.approx(chance(13.0 - against))


def test_images_of_other_studies_that_would_fit_too_are_added_up() -> None:
    images = [image("b", 99.0, "B"), image("i", 100.0), image("c", 101.0, "C"), image("a", 101.5)]
    room = known_room([exposure("e", 100.0)], images, RATES, KnownTrack(others=share_of(3.0)))

    one = candidates(room)["e"]

    def odds(residual_s: float) -> float:
        return math.log(share_of(3.0) / share_of(0.0, residual_s))

    every = [odds(0.0), odds(1.0), odds(1.0), odds(1.5)]
    assert one.image.key == "i"
    assert one.probability == pytest.approx(chance(*every))
    assert one.other_study == pytest.approx(2.0 * chance(*every) * math.exp(odds(1.0) - odds(0.0)))


@pytest.mark.parametrize(("log_odds", "is_weighed"), [(-7.5, True), (-8.5, False)])
def test_a_rival_that_is_next_to_impossible_is_not_weighed(
    log_odds: float, is_weighed: bool
) -> None:
    ahead_s = 200.0
    room = known_room(
        [exposure("e", 100.0)],
        [image("i", 100.0), image("rival", 100.0 + ahead_s, "B")],
        RATES,
        KnownTrack(others=share_of(6.0)),
        KnownTrack(ahead_s, others=share_of(log_odds)),
    )

    rival = chance(log_odds, 6.0) if is_weighed else 0.0
    assert candidates(room)["e"].other_study == pytest.approx(rival)


def neighbours(log_odds: float) -> WeighedRoom:
    """Two exposures of which one image is sure and one as likely as told, and one without any."""
    exposures = [exposure("sure", 100.0), exposure("other", 200.0), exposure("none", 300.0)]
    images = [image("i", 100.0), image("j", 200.0), image("far", 900.0)]
    shares = [share_of(9.0), share_of(log_odds), share_of(0.0)]
    return known_room(exposures, images, RATES, KnownTrack(others=shares))


@pytest.mark.parametrize(("log_odds", "counts"), [(2.3, True), (2.1, False)])
def test_a_pair_counts_for_those_around_it_where_it_is_nine_tenths_sure(
    log_odds: float, counts: bool
) -> None:
    found = candidates(neighbours(log_odds))

    # Of two exposures around "sure"; of three images of the study, held up by one of each.
    assert found["sure"].imaged_around == pytest.approx((1 + counts) / 3)
    assert found["other"].imaged_around == pytest.approx(2 / 3)
    assert found["sure"].exposed_here == pytest.approx((2 + counts) / 4)


def test_what_is_known_already_stands_among_the_candidates_and_counts_as_imaged() -> None:
    known = [
        Link("other", "j", 1.0, True, ()),
        Link("none", "far", 0.5, False, ()),
        Link("of another room", "far", 1.0, True, ()),
    ]

    found = candidates(neighbours(9.0), known)

    assert list(found) == ["sure", "other"]
    assert (found["other"].image.key, found["other"].at_s) == ("j", 200.0)
    assert [one.settled for one in found.values()] == [False, True]
    assert found["sure"].imaged_around == pytest.approx(2 / 3)


def test_links_are_those_of_open_candidates_alone() -> None:
    room = neighbours(9.0)
    known = [Link("other", "j", 1.0, True, ())]

    found = align_open(room, [0, 2], [0, 2], known)

    assert [(one.exposure, one.image) for one in found] == [("sure", "i")]
    assert align_open(room, [2], [2], known) == []
