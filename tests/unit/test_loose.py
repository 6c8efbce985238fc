"""What a room-day holds that no study has, why, and where the clocks stand."""

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import RoomDayAssessed
from schemas.facts import ExposureEnded, ToldBy
from schemas.facts.exposure import Receptor
from services.assessment.linking import link
from services.assessment.loose import holds_nothing
from services.assessment.room_day import RoomDay
from services.assessment.rulebook import RULEBOOK
from services.assessment.study import assess_day
from tests.room_facts import (
    DAY,
    OTHER_STUDY,
    ROOM,
    RULES,
    STUDY,
    Facts,
    after,
    exposure,
    image,
    order,
    patient,
    site,
)
from tests.simulated_rooms.conditions import FIRST_HELD_OUT_SEED, Conditions
from tests.simulated_rooms.day import simulate

TIMES = (0.0, 61.0, 152.0, 200.0, 311.0)


def loose(facts: Facts, where: RoomDay = DAY) -> RoomDayAssessed:
    found = assess_day(facts, site(), where, RULES).loose
    assert found is not None
    return found


def series(begins_s: float = 0.0, study: str = STUDY, first: int = 0) -> Facts:
    """Five exposures with their images, the station's clock 60 s ahead."""
    owner = f"P-{study}"
    facts: Facts = [order(study, patient=patient(patient_id=owner))]
    for n, s in enumerate(TIMES, start=first):
        facts.append(exposure(n, begins_s + s))
        facts.append(image(n, begins_s + s + 64.0, study, patient_id=owner))
    return facts


def codes(found: RoomDayAssessed) -> list[str]:
    return [one.code for one in found.exposures]


def test_a_day_whose_every_exposure_made_an_image_has_clocks_and_nothing_loose() -> None:
    found = loose(series())
    assert (found.exposures, found.images) == ((), ())
    assert not holds_nothing(found)


def test_each_exposure_of_no_study_says_why_and_what_a_person_can_do() -> None:
    plate = Receptor.STORAGE_PHOSPHOR_PLATE
    facts = [
        *series(),
        *series(1500.0, OTHER_STUDY, 20),
        exposure(50, 900.0),
        exposure(51, 1000.0, test_exposure=True),
        exposure(52, 1010.0, receptor=plate),
        exposure(53, 5000.0),
        exposure(54, 2300.0),
    ]
    found = loose(facts)
    assert {one.tube_kv for one in found.exposures} == {65.0}
    assert codes(found) == [
        "between-studies",
        "test-exposure",
        "plate-without-scan",
        "one-sided",
        "no-image-near",
    ]
    for one in found.exposures:
        assert one.words
        assert one.can_do
        assert one.rule in RULEBOOK
        assert one.facts == (one.exposure_key,)


def test_an_exposure_that_may_be_told_twice_names_the_other() -> None:
    first = exposure(1, 0.0, irradiation_event_uid="2.25.7")
    again = exposure(
        1,
        5.0,
        irradiation_event_uid="2.25.7",
        told_by=ToldBy.DOSE_REPORT,
        exposure_counter=None,
        exposure_ms=300.0,
        set_exposure_ms=300.0,
    )
    found = loose([first, again])
    assert sorted(codes(found)) == ["no-image-near", "perhaps-told-twice"]
    told_twice = next(one for one in found.exposures if one.code == "perhaps-told-twice")
    assert set(told_twice.facts) == {first.natural_key, again.natural_key}


def test_what_may_be_told_twice_is_of_the_study_of_the_other_where_that_is_known() -> None:
    # given: the first exposure of a study, and a report of the same event that does not fit it
    _, *rest = [one for one in series() if isinstance(one.payload, ExposureEnded)]
    others = [one for one in series() if not isinstance(one.payload, ExposureEnded)]
    event = exposure(0, TIMES[0], irradiation_event_uid="2.25.7")
    again = exposure(
        0,
        TIMES[0] + 5.0,
        irradiation_event_uid="2.25.7",
        told_by=ToldBy.DOSE_REPORT,
        exposure_counter=None,
        exposure_ms=300.0,
        set_exposure_ms=300.0,
    )

    day = assess_day([*others, *rest, event, again], site(), DAY, RULES)

    assert day.loose is not None
    assert codes(day.loose) == []
    assert again.natural_key in {one.exposure_key for one in day.studies[STUDY].exposures}


def test_an_image_that_no_exposure_made_is_listed_with_its_study() -> None:
    stray = image(91, 9000.0)
    found = loose([*series(), stray])
    assert [one.sop_instance_uid for one in found.images] == [f"{STUDY}.1.91"]
    assert found.images[0].facts == (stray.natural_key,)
    assert found.images[0].rule in RULEBOOK


def test_an_exposure_near_midnight_is_told_by_its_own_day_alone() -> None:
    # 22:58:20 UTC is two minutes before midnight in the site's zone.
    facts: Facts = [exposure(1, 50_300.0)]
    assert codes(loose(facts)) == ["no-image-near"]
    assert holds_nothing(loose(facts, RoomDay("north", ROOM, date(2026, 3, 3))))


def test_a_room_day_tells_how_its_clocks_stand() -> None:
    (stand,) = loose(series()).clocks
    assert stand.ahead_s == pytest.approx(64.0, abs=2.0 * stand.ahead_uncertainty_s)
    assert stand.exposures_at_least == 5
    assert stand.from_at == after(0.0)
    assert stand.until_at is None


def test_one_more_exposure_changes_no_word_on_the_clocks() -> None:
    facts = [*series(), *series(500.0, STUDY, 10)[1:]]
    more = [exposure(30, 1000.0), image(30, 1064.0, patient_id=f"P-{STUDY}")]
    assert loose([*facts, *more]).clocks == loose(facts).clocks


def test_a_clock_set_in_mid_day_ends_one_stand_and_begins_another() -> None:
    facts = series()
    for n, s in enumerate((2000.0, 2047.0, 2181.0, 2240.0, 2290.0), start=40):
        facts += [exposure(n, s), image(n, s + 4.0, patient_id=f"P-{STUDY}")]
    stands = sorted(loose(facts).clocks, key=lambda one: one.from_at)
    assert [round(one.ahead_s, -1) for one in stands] == [60.0, 0.0]
    assert stands[0].until_at == after(TIMES[-1])
    assert (stands[1].from_at, stands[1].until_at) == (after(2000.0), None)


def test_most_stands_lie_within_two_standard_uncertainties_of_the_truth() -> None:
    """Against the simulator's truth; of a normal spread 95 % would be expected at k = 2."""
    drifting = Conditions(drift_ppm=200.0, largest_offset_s=120.0)
    inside = {"ahead": 0, "drift": 0}
    days = 60
    for seed in range(FIRST_HELD_OUT_SEED, FIRST_HELD_OUT_SEED + days):
        day = simulate(seed, drifting)
        stand = link(day.exposures, day.images).clocks[0]
        at_s = {one.key: one.at_s for one in day.exposures}
        pairs = [
            (at_s[day.truth[i.key]], i.at_s - at_s[day.truth[i.key]])
            for i in day.images
            if i.key in day.truth
        ]
        slope, level_s = _line([(t - stand.from_s, ahead_s) for t, ahead_s in pairs])
        inside["ahead"] += abs(stand.ahead_s - level_s) <= 2.0 * stand.ahead_uncertainty_s
        inside["drift"] += abs(stand.drift_ppm - 1e6 * slope) <= 2.0 * stand.drift_uncertainty_ppm
    assert inside["ahead"] >= 0.9 * days
    assert inside["drift"] >= 0.9 * days


def _line(points: list[tuple[float, float]]) -> tuple[float, float]:
    mean_x = sum(x for x, _ in points) / len(points)
    mean_y = sum(y for _, y in points) / len(points)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / sum(
        (x - mean_x) ** 2 for x, _ in points
    )
    return slope, mean_y - slope * mean_x


ALL: Facts = [
    *series(),
    *series(1500.0, OTHER_STUDY, 20),
    exposure(50, 900.0),
    exposure(51, 1000.0, test_exposure=True),
    image(91, 9000.0),
]
EXPECTED = loose(ALL)


@settings(deadline=None, max_examples=25)
@given(data=st.data())
def test_order_and_repetition_change_nothing(data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(ALL))
    again = data.draw(st.lists(st.sampled_from(ALL), max_size=5))
    assert loose([*shuffled, *again]) == EXPECTED
