"""One exposure told by several ways counts once."""

from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import ExposureUse
from schemas.envelope import Message, Payload
from schemas.facts import SensorHanded
from schemas.facts.exposure import ToldBy
from services.assessment.room_day import RoomDay
from tests.room_facts import (
    OTHER_STUDY,
    ROOM,
    STUDY,
    VIEWS,
    Facts,
    assess,
    exposure,
    image,
    order,
    patient,
    told,
)
from tests.room_facts import after as at

TIMES = [0.0, 70.0, 110.0, 240.0, 300.0, 420.0]


def generator_told(**changes: Any) -> Facts:
    return [exposure(n, seconds, **changes) for n, seconds in enumerate(TIMES)]


def imaged(**changes: Any) -> Facts:
    return [
        order(),
        *(image(n, s + 4.0, view=VIEWS[n], **changes) for n, s in enumerate(TIMES)),
    ]


def report(
    number: int, seconds: float, way: ToldBy = ToldBy.DOSE_REPORT, **changes: Any
) -> Message[Payload]:
    values: dict[str, Any] = {
        "exposure_counter": None,
        "told_by": way,
        "study_instance_uid": STUDY,
    } | changes
    return exposure(number, seconds, **values)


def reported(behind_s: float = 130.0, way: ToldBy = ToldBy.DOSE_REPORT) -> Facts:
    """The same exposures as told by the station, whose clock is elsewhere."""
    return [report(n, s + behind_s, way, reported_kerma_mgy=1.5) for n, s in enumerate(TIMES)]


def test_a_dose_report_of_the_same_exposures_adds_no_dose_and_gives_its_own_figure() -> None:
    alone = assess([*generator_told(), *imaged()])[STUDY]
    both = assess([*generator_told(), *imaged(), *reported()])[STUDY]
    assert both.dose.exposures == alone.dose.exposures == 6
    assert [e.use for e in both.exposures] == [ExposureUse.IMAGE] * 6
    assert both.dose.kerma_mgy == pytest.approx(6 * 1.5)
    assert {fact.natural_key for fact in reported()} <= set(both.facts)
    assert any("told by dose report too" in why for why in both.exposures[0].link_reasons)


def test_three_ways_of_telling_are_one_exposure_each() -> None:
    facts = [*generator_told(), *imaged(), *reported(), *reported(12.0, ToldBy.PERFORMED_STEP)]
    study = assess(facts)[STUDY]
    assert study.dose.exposures == 6
    assert len(study.exposures) == 6


def test_reports_alone_are_exposures_of_the_study_that_they_name() -> None:
    study = assess([*imaged(), *reported()])[STUDY]
    assert study.dose.exposures == 6
    assert study.dose.kerma_mgy == pytest.approx(9.0)


def test_an_irradiation_event_uid_brings_tellings_together_whatever_their_clocks() -> None:
    facts = [
        order(),
        exposure(1, 0.0, irradiation_event_uid="2.25.7"),
        report(1, 5000.0, irradiation_event_uid="2.25.7"),
    ]
    study = assess(facts)[STUDY]
    assert study.dose.exposures == 1
    assert "both name the same irradiation event" in study.exposures[0].link_reasons[-1]


def test_one_event_uid_with_two_techniques_is_a_question_and_counts_once() -> None:
    facts = [
        order(),
        exposure(1, 0.0, irradiation_event_uid="2.25.7", study_instance_uid=STUDY),
        report(1, 5.0, irradiation_event_uid="2.25.7", exposure_ms=300.0, set_exposure_ms=300.0),
    ]
    study = assess(facts)[STUDY]
    assert study.dose.exposures == 1
    assert "exposure-told-twice" in [question.code for question in study.questions]


def test_an_exposure_that_only_the_report_tells_is_one_more() -> None:
    facts = [*generator_told(), *imaged(), *reported(), report(9, 700.0 + 130.0)]
    assert assess(facts)[STUDY].dose.exposures == 7


def test_a_report_of_another_study_is_never_the_same_exposure() -> None:
    other = [report(n, s + 1.0, study_instance_uid=OTHER_STUDY) for n, s in enumerate(TIMES)]
    own = [exposure(n, s, study_instance_uid=STUDY) for n, s in enumerate(TIMES)]
    study = assess([order(), *own, *other])[STUDY]
    assert len(study.exposures) == 6


LENT = {"room": "dental-2", "station": "station-2", "sensor": "sensor-a"}


def lent() -> Facts:
    """Sensor A of dental-2 in dental-1 for an hour; its images still come by station 2."""
    there = told(SensorHanded(sensor="sensor-a", from_room="dental-2", to_room=ROOM), at(-60.0))
    back = told(SensorHanded(sensor="sensor-a", from_room=ROOM, to_room="dental-2"), at(3600.0))
    return [there, back, *generator_told(), *imaged(**LENT)]


def test_images_of_a_lent_sensor_are_linked_in_the_room_where_it_was() -> None:
    study = assess(lent())[STUDY]
    assert study.room == ROOM
    assert [e.use for e in study.exposures] == [ExposureUse.IMAGE] * 6
    assert lent()[0].natural_key in study.facts


def test_a_sensor_that_was_handed_back_is_where_it_belongs() -> None:
    late = image(9, 4000.0, OTHER_STUDY, patient_id="P-2001", **LENT)
    facts = [*lent(), order(OTHER_STUDY, patient=patient(patient_id="P-2001")), late]
    assert set(assess(facts)) == {STUDY}
    second = RoomDay("north", "dental-2", date(2026, 3, 2))
    assert set(assess(facts, second)) == {OTHER_STUDY}


def test_without_the_handover_the_images_stand_in_their_stations_room() -> None:
    facts = lent()[2:]
    second = RoomDay("north", "dental-2", date(2026, 3, 2))
    assert STUDY in assess(facts, second)
    assert assess(facts) == {}


ALL_TOLD = [*lent(), *reported(), *reported(12.0, ToldBy.PERFORMED_STEP)]
EXPECTED = assess(ALL_TOLD)


@settings(deadline=None, max_examples=30)
@given(data=st.data())
def test_order_and_repetition_of_tellings_and_handovers_change_nothing(data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(ALL_TOLD))
    again = data.draw(st.lists(st.sampled_from(ALL_TOLD), max_size=6))
    assert assess([*shuffled, *again]) == EXPECTED


@settings(deadline=None, max_examples=20)
@given(left_out=st.sets(st.integers(0, len(ALL_TOLD) - 1)), data=st.data())
def test_any_part_of_the_tellings_gives_one_answer(left_out: set[int], data: st.DataObject) -> None:
    facts = [fact for number, fact in enumerate(ALL_TOLD) if number not in left_out]
    assert assess(data.draw(st.permutations(facts))) == assess(facts)
