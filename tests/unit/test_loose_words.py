"""What is said of a room-day beside its studies: the words, the order, the rounded clocks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.conclusions import ClockStand as ToldStand
from schemas.conclusions import RoomDayAssessed
from schemas.facts import ExposureEnded, ImageStored, ToldBy
from services.assessment.clock_stands import ClockStand
from services.assessment.handovers import NO_HANDOVERS
from services.assessment.link_judgement import Link
from services.assessment.loose import assess_loose, holds_nothing, why_loose
from services.assessment.room_links import LinkedRoom
from services.assessment.tellings import ToldExposure
from tests.room_facts import DAY, START, exposure, image, site

NO_IMAGE = "no-image-near"


def assessed(
    of_nobody: Sequence[tuple[ToldExposure, str]] = (),
    images: Sequence[tuple[str, ImageStored]] = (),
    clocks: Sequence[ClockStand] = (),
    linked: Sequence[str] = (),
) -> RoomDayAssessed:
    by_image = {uid: Link("exposure", uid, 0.97, True, ()) for uid in linked}
    room = LinkedRoom(
        by_image, {}, (), NO_HANDOVERS, tuple(clocks), tuple(of_nobody), tuple(images)
    )
    return assess_loose(room, site(), DAY)


def told(number: int, seconds: float, **beside: Any) -> ToldExposure:
    fact = exposure(number, seconds)
    assert isinstance(fact.payload, ExposureEnded)
    return ToldExposure(fact.natural_key, fact, fact.payload, **beside)


def seen(number: int, seconds: float) -> tuple[str, ImageStored]:
    fact = image(number, seconds)
    assert isinstance(fact.payload, ImageStored)
    return fact.natural_key, fact.payload


def stand(**changes: Any) -> ClockStand:
    values: dict[str, Any] = {
        "generator": "generator-1",
        "station": "station-1",
        "ahead_s": 64.37,
        "ahead_uncertainty_s": 0.3,
        "drift_ppm": 20.0,
        "drift_uncertainty_ppm": 10.0,
        "support": 5.0,
        "from_s": START.timestamp(),
        "until_s": None,
    } | changes
    return ClockStand(**values)


def shown(**changes: Any) -> ToldStand:
    (one,) = assessed(clocks=[stand(**changes)]).clocks
    return one


def test_the_words_tell_in_minutes_how_near_an_image_must_be() -> None:
    assert "within 15 minutes of it" in why_loose(NO_IMAGE)
    assert "more than 5 minutes away" in why_loose("one-sided")
    assert why_loose("test-exposure") == "It was told as a test exposure."


def test_an_exposure_names_all_its_tellings_and_what_it_may_be_a_telling_of() -> None:
    (alone,) = assessed([(told(1, 0.0), NO_IMAGE)]).exposures
    assert alone.facts == (alone.exposure_key,)
    assert (alone.rule, alone.words) == ("exposure-of-no-study", why_loose(NO_IMAGE))

    one = told(1, 0.0, others=("a-report",), perhaps="an-exposure")
    (found,) = assessed([(one, "perhaps-told-twice")]).exposures
    assert found.facts == ("a-report", "an-exposure", one.key)
    assert (found.rule, found.code) == ("exposure-told-twice", "perhaps-told-twice")


def test_exposures_and_images_come_by_time_and_those_of_a_link_or_another_day_not() -> None:
    yesterday = -timedelta(days=1).total_seconds()
    found = assessed(
        [(told(n, s), NO_IMAGE) for n, s in ((1, 50.0), (2, 10.0), (3, yesterday))],
        [seen(n, s) for n, s in ((1, 60.0), (2, 20.0), (3, 30.0), (4, yesterday))],
        linked=[seen(3, 30.0)[1].sop_instance_uid],
    )

    assert [one.occurred_at for one in found.exposures] == [
        START + timedelta(seconds=s) for s in (10.0, 50.0)
    ]
    assert [one.acquired_at for one in found.images] == [
        START + timedelta(seconds=s) for s in (20.0, 60.0)
    ]
    assert found.left_out == 0


def test_of_a_very_long_day_the_first_are_told_and_the_others_counted() -> None:
    exposures = [(told(n, float(n)), NO_IMAGE) for n in range(302)]
    images = [seen(n, float(n)) for n in range(303)]

    found = assessed(exposures, images)
    assert (len(found.exposures), len(found.images), found.left_out) == (300, 300, 5)
    assert found.exposures[-1].occurred_at == START + timedelta(seconds=299)
    assert assessed(exposures[:299], images).left_out == 3
    assert assessed(exposures, images[:299]).left_out == 2


def test_a_day_holds_something_with_an_exposure_an_image_or_a_clock() -> None:
    assert holds_nothing(assessed())
    assert not holds_nothing(assessed([(told(1, 0.0), NO_IMAGE)]))
    assert not holds_nothing(assessed(images=[seen(1, 0.0)]))
    assert not holds_nothing(assessed(clocks=[stand()]))


@pytest.mark.parametrize(
    ("uncertainty_s", "told_s"),
    [
        (0.0, 0.0), (0.011, 0.02), (0.1, 0.1), (0.1001, 0.2), (0.2, 0.2), (0.21, 0.5),
        (0.5, 0.5), (0.51, 1.0), (1.0, 1.0), (1.5, 2.0), (2.0, 2.0), (3.0, 5.0), (5.0, 5.0),
        (7.0, 10.0), (10.0, 10.0), (2.0 * (1.0 + 1e-12), 2.0), (2.0 * (1.0 + 1e-6), 5.0),
    ],
)  # fmt: skip
def test_an_uncertainty_is_brought_up_to_the_next_of_one_two_and_five(
    uncertainty_s: float, told_s: float
) -> None:
    assert shown(ahead_uncertainty_s=uncertainty_s).ahead_uncertainty_s == told_s
    assert shown(drift_uncertainty_ppm=uncertainty_s).drift_uncertainty_ppm == told_s


@given(st.floats(1e-6, 1e6))
def test_an_uncertainty_never_becomes_smaller_nor_more_than_two_and_a_half_times(
    uncertainty_s: float,
) -> None:
    told_s = shown(ahead_uncertainty_s=uncertainty_s).ahead_uncertainty_s

    assert uncertainty_s * (1.0 - 1e-6) <= told_s <= 2.5 * uncertainty_s


@pytest.mark.parametrize(
    ("ahead_s", "uncertainty_s", "told_s"),
    [
        (64.37, 0.3, 64.5),
        (64.37, 0.1, 64.4),
        (64.37, 7.0, 60.0),
        (64.37, 0.0, 64.37),
        (-64.37, 0.3, -64.5),
        (-0.1, 0.3, 0.0),
    ],
)
def test_how_far_ahead_is_told_no_finer_than_it_is_known(
    ahead_s: float, uncertainty_s: float, told_s: float
) -> None:
    ahead = shown(ahead_s=ahead_s, ahead_uncertainty_s=uncertainty_s).ahead_s
    drift = shown(drift_ppm=ahead_s, drift_uncertainty_ppm=uncertainty_s).drift_ppm

    assert (ahead, drift) == (told_s, told_s)
    # No clock is ahead by minus nothing.
    assert told_s or math.copysign(1.0, ahead) == 1.0


@pytest.mark.parametrize(
    ("support", "at_least"),
    [
        (0.2, 1), (1.4, 1), (1.6, 2), (2.4, 2), (2.6, 3), (4.0, 3), (4.6, 5), (9.0, 5),
        (10.0, 10), (19.0, 10), (20.0, 20), (49.0, 20), (50.0, 50), (99.0, 50), (100.0, 100),
        (199.0, 100), (200.0, 200), (499.0, 200), (500.0, 500), (9000.0, 500),
    ],
)  # fmt: skip
def test_the_exposures_that_speak_for_a_stand_are_told_in_round_numbers(
    support: float, at_least: int
) -> None:
    assert shown(support=support).exposures_at_least == at_least


def test_a_stand_is_told_where_it_began_or_ended_today_and_hides_none_after_it() -> None:
    day_s = timedelta(days=1).total_seconds()
    at_s = START.timestamp()
    before = stand(station="station-0", from_s=at_s - 2 * day_s, until_s=at_s - day_s)
    ends = stand(from_s=at_s - day_s, until_s=at_s + 0.123456)
    begins = stand(from_s=at_s, until_s=at_s + day_s)

    found = assessed(clocks=[before, ends, begins]).clocks

    assert [(one.from_at, one.until_at) for one in found] == [
        (START - timedelta(days=1), START + timedelta(microseconds=123_456)),
        (START, START + timedelta(days=1)),
    ]
    assert shown().until_at is None
    assert shown().from_at == datetime.fromtimestamp(at_s, UTC)


def test_a_reports_clock_is_told_apart_from_its_generators() -> None:
    own, report = shown(), shown(generator="generator-1 by dose_report")

    assert (own.generator, own.told_by) == ("generator-1", ToldBy.GENERATOR)
    assert (report.generator, report.told_by) == ("generator-1", ToldBy.DOSE_REPORT)
