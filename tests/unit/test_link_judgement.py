"""When a pair is a link, when it is proposed, and what is said of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from services.assessment import link_judgement
from services.assessment.batch_scans import Batch, BatchLinks
from services.assessment.clock_offset import Clocks
from services.assessment.link_confidence import ConfidenceMap
from services.assessment.link_judgement import (
    Candidate,
    DayRates,
    Link,
    content_reasons,
    judge,
)
from services.assessment.pairing_scores import Exposure, Image
from services.assessment.scanned_links import scanned_links
from services.assessment.weighed_room import WeighedRoom

CALM = DayRates(foreign_per_s=1e-9, lost=0.05, spread_s=1.3)
AT_CHANCE = 4e-5
"""What the chance of an image from elsewhere may be at most; a default of ours."""

USUAL = "about a second or less off the usual delay, once the clocks are aligned"
UNSURE = "other pairings, or none, are nearly as likely"
AT_A_CHANGE = "not sure enough so near to another patient"
BY_CHANCE = "next to another patient, and too little but the time speaks for it"
AMID_ANOTHER = "the exposures before and after it are of another study"


def exposure(key: str = "e", **told: object) -> Exposure:
    return replace(Exposure(key, "generator-1", 0.0, 65.0, 7.0, 120.0, 120.0), **told)  # type: ignore[arg-type]


def pair(name: str, at_s: float, study: str = "A", **told: object) -> Candidate:
    made, seen = exposure(f"e {name}"), Image(f"i {name}", study, "station-1", 0.0)
    return replace(Candidate(made, seen, at_s), **told)  # type: ignore[arg-type]


@pytest.fixture
def confident(monkeypatch: pytest.MonkeyPatch) -> None:
    trust(monkeypatch, 0.9999)


def trust(monkeypatch: pytest.MonkeyPatch, confidence: float) -> None:
    """Have every pair be right this often, whatever its probability."""
    told = ConfidenceMap(
        source="invented", log_odds=(0.0, 1.0), confidence=(confidence, confidence)
    )
    monkeypatch.setattr(link_judgement, "confidence_map", lambda: told)


def reasons(candidates: Sequence[Candidate], rates: DayRates = CALM) -> dict[str, tuple[str, ...]]:
    """What is said of each against it; of an accepted one nothing is."""
    found = {one.image: one for one in judge(candidates, rates)}
    assert all(one.accepted is (one.reasons[1:] == ()) for one in found.values())
    return {key: one.reasons[1:] for key, one in found.items()}


def test_a_pair_that_nothing_speaks_against_is_a_link(confident: None) -> None:
    assert judge([pair("1", 5.0)], CALM) == [Link("e 1", "i 1", 0.9999, True, (USUAL,))]


def test_of_a_pair_that_nothing_is_told_of_nothing_speaks_against_it() -> None:
    assert pair("1", 5.0) == pair(
        "1",
        5.0,
        residual_s=0.0,
        probability=1.0,
        other_study=0.0,
        agreement=0.0,
        imaged_around=1.0,
        exposed_here=1.0,
        guessed_clock=False,
        settled=False,
    )


@pytest.mark.parametrize(
    ("confidence", "said"),
    [
        (0.95, {"i 1": ()}),
        (0.9499, {"i 1": (UNSURE,)}),
        (0.2, {"i 1": (UNSURE,)}),
        (0.1999, {}),
    ],
)
def test_a_link_is_sure_and_what_is_little_likely_is_not_even_proposed(
    monkeypatch: pytest.MonkeyPatch, confidence: float, said: dict[str, tuple[str, ...]]
) -> None:
    trust(monkeypatch, confidence)

    assert reasons([pair("1", 5.0)]) == said


def test_a_sure_pair_with_a_doubt_is_proposed_for_that_doubt_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    trust(monkeypatch, 0.95)

    (found,) = judge([pair("1", 5.0, guessed_clock=True)], CALM)

    assert (found.accepted, found.confidence) == (False, 0.95)
    assert found.reasons == (USUAL, "nothing else tells that the clocks are so far apart")


@pytest.mark.parametrize(
    ("told", "doubt"),
    [
        ({"other_study": 0.002}, None),
        ({"other_study": 0.0021}, "an image of another study would fit as well"),
        ({"residual_s": 12.0}, None),
        ({"residual_s": -12.1}, "too far off to count"),
        ({"guessed_clock": True}, "nothing else tells that the clocks are so far apart"),
        ({"exposed_here": 0.6}, None),
        ({"exposed_here": 0.59}, "most images of its study fit no exposure of this room"),
        ({"imaged_around": 0.45}, None),
        ({"imaged_around": 0.44}, "most exposures around it have no image"),
        (
            {"exposure": exposure(study="B")},
            "the station told this exposure for another study",
        ),
    ],
)
def test_what_speaks_against_a_pair_leaves_it_to_a_person(
    confident: None, told: dict[str, Any], doubt: str | None
) -> None:
    said = reasons([pair("1", 5.0, **told)], replace(CALM, spread_s=2.0))

    assert said == {"i 1": () if doubt is None else (doubt,)}


def test_where_the_station_told_the_study_what_stands_around_is_no_matter(confident: None) -> None:
    told_for_it: dict[str, Any] = {"exposure": exposure(study="A")}
    fits_another = "an image of another study would fit as well"
    alone: dict[str, Any] = {"exposed_here": 0.1, "imaged_around": 0.1}

    amid = [pair("0", 0.0, "B"), pair("1", 9.0, **told_for_it, **alone), pair("2", 18.0, "B")]

    assert reasons(amid)["i 1"] == ()
    assert reasons([pair("1", 0.0, **told_for_it, other_study=0.5)]) == {"i 1": (fits_another,)}


def test_what_is_settled_is_judged_no_more_and_stands_beside_others(confident: None) -> None:
    one = pair("1", 60.0)
    around = [pair("0", 0.0, "B", settled=True), pair("2", 120.0, "B", settled=True)]

    assert reasons([around[0], one, around[1]]) == {"i 1": (AMID_ANOTHER,)}


def test_where_patients_change_a_pair_must_be_surer(monkeypatch: pytest.MonkeyPatch) -> None:
    studies = {"0": "B", "1": "A", "2": "A", "3": "A", "4": "C"}
    day = [pair(name, 60.0 * int(name), study) for name, study in studies.items()]

    trust(monkeypatch, 0.9899)
    said = reasons(day)
    assert said == {
        "i 0": (AT_A_CHANGE,),
        "i 1": (AT_A_CHANGE,),
        "i 2": (),
        "i 3": (AT_A_CHANGE,),
        "i 4": (AT_A_CHANGE,),
    }

    trust(monkeypatch, 0.99)
    assert set(reasons(day).values()) == {()}


@pytest.mark.parametrize(
    ("stranger", "is_beside"),
    [
        ({"at_s": 1900.0}, True),
        ({"at_s": 1900.5}, False),
        ({"at_s": 100.0}, True),
        ({"at_s": 99.5}, False),
        ({"at_s": 1060.0, "probability": 0.5}, True),
        ({"at_s": 1060.0, "probability": 0.49}, False),
        ({"at_s": 1060.0, "exposure": exposure(device="generator-2")}, False),
    ],
)
def test_beside_a_pair_are_likely_ones_of_its_generator_within_a_quarter_of_an_hour(
    monkeypatch: pytest.MonkeyPatch, stranger: dict[str, object], is_beside: bool
) -> None:
    trust(monkeypatch, 0.97)
    one, other = pair("1", 1000.0), replace(pair("2", 0.0, "B"), **stranger)  # type: ignore[arg-type]
    in_order = [one, other] if other.at_s > one.at_s else [other, one]

    assert reasons(in_order)["i 1"] == ((AT_A_CHANGE,) if is_beside else ())


def test_an_unlikely_pair_is_not_judged_by_those_beside_it(confident: None) -> None:
    day = [pair("0", 0.0, "B"), pair("1", 9.0, probability=0.49), pair("2", 18.0, "B")]

    assert set(reasons(day).values()) == {()}


ALONE = 10.0  # no fellow: as if it were ten times as far as the stranger


@pytest.mark.parametrize(
    ("told", "stranger_s", "fellow_s", "day", "chance"),
    [
        # Within twice the spread, of exposures that lose their image.
        ({}, 40.0, None, {}, 2.0 * 1.0 * 0.5 * ALONE),
        ({"residual_s": -3.0}, 40.0, None, {}, 2.0 * 4.0 * 0.5 * ALONE),
        ({"residual_s": 3.0}, -40.0, None, {"spread_s": 2.0}, 2.0 * 5.0 * 0.5 * ALONE),
        ({}, 40.0, None, {"lost": 0.1}, 2.0 * 1.0 * 0.1 * ALONE),
        # Less where technique and teeth speak for it.
        ({"agreement": math.log(8.0)}, 40.0, None, {}, 2.0 * 0.5 * ALONE / 8.0),
        # More where it stands nearer to the other patient than to its own, either way round.
        ({}, 40.0, -60.0, {}, 2.0 * 0.5 * 1.5),
        ({}, -40.0, 60.0, {}, 2.0 * 0.5 * 1.5),
        ({}, 0.5, -2.0, {}, 2.0 * 0.5 * 2.0),
        ({}, 1.5, -3.0, {}, 2.0 * 0.5 * 2.0),
        # Within bounds.
        ({}, 100.0, -10.0, {}, 2.0 * 0.5 * 0.3),
        ({}, 10.0, -95.0, {}, 2.0 * 0.5 * 9.5),
        ({}, 10.0, -800.0, {}, 2.0 * 0.5 * 10.0),
    ],
)
def test_beside_another_patient_an_image_from_elsewhere_must_be_unlikely(
    confident: None,
    told: dict[str, Any],
    stranger_s: float,
    fellow_s: float | None,
    day: dict[str, float],
    chance: float,
) -> None:
    one = pair("1", 2000.0, **told)
    beside = [pair("stranger", 2000.0 + stranger_s, "B", settled=True)]
    if fellow_s is not None:
        beside.append(pair("fellow", 2000.0 + fellow_s, settled=True))
    in_order = sorted([one, *beside], key=lambda c: c.at_s)

    def said(foreign_per_s: float) -> tuple[str, ...]:
        rates = DayRates(foreign_per_s, **{"lost": 0.5, "spread_s": 1.0, **day})
        return judge(in_order, rates)[0].reasons[1:]

    assert said(AT_CHANCE / chance * (1.0 - 1e-9)) == ()
    assert said(AT_CHANCE / chance * (1.0 + 1e-9)) == (BY_CHANCE,)


def test_a_chance_that_is_just_small_enough_is_taken(confident: None) -> None:
    day = [pair("0", 0.0, "B", settled=True), pair("1", 60.0), pair("2", 120.0, settled=True)]

    # Two spreads of a second, half the exposures without image, as far from both neighbours.
    assert reasons(day, DayRates(AT_CHANCE, lost=0.5, spread_s=1.0)) == {"i 1": ()}


@pytest.mark.parametrize(
    ("residual_s", "words"),
    [
        (0.0, "about a second or less"),
        (-1.4, "about a second or less"),
        (1.5, "about 2 s"),
        (2.4, "about 2 s"),
        (-7.2, "about 7 s"),
    ],
)
def test_how_far_off_a_pair_is_is_told_in_whole_seconds(
    confident: None, residual_s: float, words: str
) -> None:
    (found,) = judge([pair("1", 5.0, residual_s=residual_s)], CALM)

    assert found.reasons == (f"{words} off the usual delay, once the clocks are aligned",)


def test_an_exposure_that_ended_early_is_told_as_such(confident: None) -> None:
    (found,) = judge([pair("1", 5.0, exposure=exposure(ended_early=True))], CALM)

    assert found.reasons == (USUAL, "the exposure ended early")


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({}, []),
        ({"tube_kv": 65.0}, ["kV, mA and ms agree with the image's header"]),
        ({"tube_kv": 70.0}, ["kV, mA or ms differ from the image's header"]),
        ({"teeth": frozenset({108})}, ["the preset's teeth are among the image's"]),
        ({"teeth": frozenset({308})}, ["the preset is for other teeth than the image's"]),
    ],
)
def test_what_header_and_preset_say_is_told_where_both_say_it(
    told: dict[str, object], said: list[str]
) -> None:
    seen = replace(Image("i", "A", "station-1", 0.0), **told)  # type: ignore[arg-type]

    assert content_reasons(exposure(teeth=frozenset({108, 109})), seen) == said


@pytest.mark.parametrize(("confidence", "accepted"), [(0.995, True), (0.9949, False)])
def test_a_plate_scanned_with_others_must_be_surer_than_an_image_made_at_once(
    confidence: float, accepted: bool
) -> None:
    room = WeighedRoom([exposure()], [Image("i", "A", "station-1", 900.0)], Clocks.of(()))
    scan = BatchLinks(Batch("A", (0,), 900.0), (((0, 0), confidence),), True, (0,), frozenset())

    assert [one.accepted for one in scanned_links(room, scan)] == [accepted]
