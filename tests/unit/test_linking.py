"""Links between exposures and images: what is linked, what is asked, what is never done."""

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.assessment.belonging import UnderWay
from services.assessment.clock_offset import ClockReading
from services.assessment.link_judgement import ACCEPTED_FROM
from services.assessment.linking import Decision, link
from services.assessment.pairing_scores import Exposure, Image
from tests.simulated_room import CONDITIONS, score_days, simulate

MOLARS = frozenset({309, 310, 311})
INCISORS = frozenset({101, 102, 103})


def exposure(name: str, at_s: float, **changes: object) -> Exposure:
    made = Exposure(name, "generator-1", at_s, 65.0, 7.0, 120.0, 120.0)
    return replace(made, **changes)  # type: ignore[arg-type]


def image(name: str, at_s: float, study: str = "A", **changes: object) -> Image:
    return replace(Image(name, study, "station-1", at_s), **changes)  # type: ignore[arg-type]


def accepted(exposures: Sequence[Exposure], images: Sequence[Image]) -> dict[str, str]:
    return {one.image: one.exposure for one in link(exposures, images).links if one.accepted}


IRREGULAR = [0.0, 70.0, 110.0, 240.0, 300.0, 420.0]


def test_images_on_a_clock_five_minutes_behind_find_their_exposures() -> None:
    exposures = [exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)]
    images = [image(f"i{n}", at - 300.0) for n, at in enumerate(IRREGULAR)]
    assert accepted(exposures, images) == {f"i{n}": f"e{n}" for n in range(6)}


def test_an_exposure_that_made_no_image_stays_alone() -> None:
    exposures = [exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)]
    images = [image(f"i{n}", at + 4.0) for n, at in enumerate(IRREGULAR) if n != 2]
    assert "e2" not in accepted(exposures, images).values()
    assert len(accepted(exposures, images)) == 5


def test_an_image_from_elsewhere_stays_alone() -> None:
    exposures = [exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)]
    images = [image(f"i{n}", at + 4.0) for n, at in enumerate(IRREGULAR)]
    assert "foreign" not in accepted(exposures, [*images, image("foreign", 180.0)])


def test_after_an_aborted_exposure_the_repeat_is_the_one_that_made_the_image() -> None:
    exposures = [exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)]
    aborted = exposure("aborted", 105.0, exposure_ms=20.0, ended_early=True)
    images = [image(f"i{n}", at + 4.0) for n, at in enumerate(IRREGULAR)]
    assert accepted([*exposures, aborted], images)["i2"] == "e2"


def test_a_retake_within_seconds_is_told_apart_by_its_exposure_time() -> None:
    exposures = [
        *(exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)),
        exposure("weak", 600.0, exposure_ms=60.0, set_exposure_ms=60.0),
        exposure("strong", 603.0, exposure_ms=160.0, set_exposure_ms=160.0),
    ]
    images = [
        *(image(f"i{n}", at + 4.0, exposure_ms=120.0) for n, at in enumerate(IRREGULAR)),
        image("only", 605.5, exposure_ms=160.0),
    ]
    assert accepted(exposures, images)["only"] == "strong"


def test_one_pair_with_odd_clocks_is_proposed_with_its_reasons() -> None:
    found = link([exposure("e", 0.0)], [image("i", 200.0)]).links
    assert [one.accepted for one in found] == [False]
    assert found[0].confidence < ACCEPTED_FROM
    assert any("nearly as likely" in reason for reason in found[0].reasons)


def test_clock_readings_make_a_single_odd_pair_plain() -> None:
    readings = [
        ClockReading("generator-1", true_s=0.0, device_s=0.0),
        ClockReading("station-1", true_s=0.0, device_s=197.0),
    ]
    found = link([exposure("e", 0.0)], [image("i", 200.0)], readings).links
    assert [one.accepted for one in found] == [True]


def test_an_exposure_that_two_patients_images_fit_is_left_to_a_person() -> None:
    exposures = [exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)]
    images = [image(f"i{n}", at + 4.0) for n, at in enumerate(IRREGULAR[:-1])]
    rivals = [image("a", 423.0, "A"), image("b", 425.0, "B")]
    found = {one.image: one for one in link(exposures, [*images, *rivals]).links}
    claims = [found[name] for name in ("a", "b") if name in found]
    assert claims
    assert not any(one.accepted for one in claims)


def test_an_image_of_one_study_amid_another_is_left_to_a_person() -> None:
    exposures = [exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)]
    images = [image(f"i{n}", at + 4.0, "B" if n == 3 else "A") for n, at in enumerate(IRREGULAR)]
    found = {one.image: one for one in link(exposures, images).links}
    assert not found["i3"].accepted
    assert "the exposures before and after it are of another study" in found["i3"].reasons
    assert found["i2"].accepted
    assert found["i4"].accepted


def test_a_persons_decision_outranks_the_times_and_the_later_one_holds() -> None:
    exposures = [exposure("e0", 0.0), exposure("e1", 60.0)]
    images = [image("i0", 3.0)]
    decisions = [
        Decision("i0", "e0", decided_at_s=20.0, fact_key="b"),
        Decision("i0", "e1", decided_at_s=30.0, fact_key="a"),
    ]
    found = link(exposures, images, (), decisions).links
    assert [(one.exposure, one.confidence, one.accepted) for one in found] == [("e1", 1.0, True)]


def test_an_image_that_a_person_has_denied_every_exposure_gets_none() -> None:
    decision = Decision("i0", None, decided_at_s=20.0, fact_key="a")
    assert link([exposure("e0", 0.0)], [image("i0", 3.0)], (), [decision]).links == ()


def test_two_images_decided_to_one_exposure_leave_it_with_the_later_decision() -> None:
    decisions = [
        Decision("i0", "e0", decided_at_s=20.0, fact_key="a"),
        Decision("i1", "e0", decided_at_s=30.0, fact_key="b"),
    ]
    found = link([exposure("e0", 0.0)], [image("i0", 3.0), image("i1", 4.0)], (), decisions)
    assert [(one.image, one.exposure) for one in found.links] == [("i1", "e0")]


def test_two_generators_with_different_clocks_are_both_brought_to_the_station() -> None:
    first = [exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)]
    second = [
        exposure(f"f{n}", at + 35.0 + 90.0, device="generator-2")
        for n, at in enumerate(IRREGULAR[:4])
    ]
    images = [image(f"i{n}", at + 3.0) for n, at in enumerate(IRREGULAR)]
    images += [image(f"j{n}", at + 35.0 + 3.0) for n, at in enumerate(IRREGULAR[:4])]
    linked = accepted([*first, *second], images)
    assert linked["i1"] == "e1"
    assert linked["j1"] == "f1"


def test_the_lone_exposure_of_a_second_generator_takes_no_image_by_moving_its_clock() -> None:
    exposures = [exposure(f"e{n}", at) for n, at in enumerate(IRREGULAR)]
    images = [image(f"i{n}", at + 3.0) for n, at in enumerate(IRREGULAR)]
    lone, foreign = exposure("lone", 180.0, device="generator-2"), image("foreign", 205.0, "B")
    linked = accepted([*exposures, lone], [*images, foreign])
    assert linked == {f"i{n}": f"e{n}" for n in range(6)}


@settings(max_examples=25)
@given(seed=st.integers(0, 100_000), data=st.data())
def test_the_order_of_exposures_and_images_is_no_matter(seed: int, data: st.DataObject) -> None:
    day = simulate(seed, CONDITIONS["one short study"])
    shuffled = link(
        data.draw(st.permutations(day.exposures)), data.draw(st.permutations(day.images))
    )
    assert shuffled.links == link(day.exposures, day.images).links


@pytest.mark.parametrize("name", list(CONDITIONS))
def test_simulated_days_are_linked_rightly_and_never_across_patients(name: str) -> None:
    score = score_days(range(1000, 1025), CONDITIONS[name])
    assert score.cross_patient == 0
    assert score.precision >= (0.98 if name == "many lost" else 0.995)
    assert score.recall >= 0.95


def test_an_exposure_belongs_to_the_study_on_both_sides_of_it() -> None:
    under_way = UnderWay([(0.0, "A"), (100.0, "A"), (200.0, "B")])
    assert under_way.study_at(50.0) == "A"
    assert under_way.study_at(150.0) is None


def test_an_exposure_after_the_last_image_belongs_only_where_it_is_near_and_alone() -> None:
    assert UnderWay([(0.0, "A")]).study_at(200.0) == "A"
    assert UnderWay([(0.0, "A")]).study_at(400.0) is None
    assert UnderWay([(0.0, "B"), (600.0, "A")]).study_at(700.0) is None
    assert UnderWay([]).study_at(0.0) is None
