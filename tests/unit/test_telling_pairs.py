"""Which tellings of an exposure are taken as one: by event, by time, or not at all."""

from __future__ import annotations

from typing import Any

import pytest

from schemas.envelope import Message, Payload
from schemas.facts import ExposureEnded
from schemas.facts.exposure import ToldBy
from services.assessment.tellings import ToldExposure, bring_together, completed, told_too
from tests.room_facts import OTHER_STUDY, STUDY, exposure

Facts = list[Message[Payload]]

TIMES = [0.0, 70.0, 110.0, 240.0, 300.0, 420.0]
MS = [80.0, 100.0, 125.0, 160.0, 200.0, 250.0]
EVENT, OTHER_EVENT = "2.25.7", "2.25.8"


def tells(way: ToldBy, behind_s: float = 0.0, **changes: Any) -> Facts:
    values = {"told_by": way} | ({} if way is ToldBy.GENERATOR else {"exposure_counter": None})
    values |= changes
    return [
        exposure(n, s + behind_s, set_exposure_ms=ms, exposure_ms=ms, **values)
        for n, (s, ms) in enumerate(zip(TIMES, MS, strict=True))
    ]


def together(*facts: Message[Payload]) -> tuple[ToldExposure, ...]:
    return bring_together((fact, payload_of(fact)) for fact in facts)


def payload_of(fact: Message[Payload]) -> ExposureEnded:
    assert isinstance(fact.payload, ExposureEnded)
    return fact.payload


GENERATOR = tells(ToldBy.GENERATOR)
REPORT = tells(ToldBy.DOSE_REPORT, 130.0)


def test_what_the_generator_tells_leads_and_the_report_stands_beside_it() -> None:
    found = together(*REPORT, *GENERATOR)

    assert [one.key for one in found] == sorted(fact.natural_key for fact in GENERATOR)
    beside = {one.key: one.others for one in found}
    assert beside == {
        first.natural_key: (second.natural_key,)
        for first, second in zip(GENERATOR, REPORT, strict=True)
    }
    for one in found:
        (why,) = one.reasons
        assert why.startswith("told by dose report too: same generator; ")
        assert "image" not in why
        assert why.endswith("%)")
        assert one.told.told_by is ToldBy.GENERATOR
        assert (one.untimed, one.perhaps) == (False, None)


@pytest.mark.parametrize(
    ("of_generator", "of_report"),
    [
        ({}, {"study_instance_uid": STUDY}),
        ({"study_instance_uid": STUDY}, {}),
        ({"study_instance_uid": STUDY}, {"study_instance_uid": STUDY}),
    ],
)
def test_tellings_may_be_one_where_one_is_silent_or_both_name_the_same_study(
    of_generator: dict[str, Any], of_report: dict[str, Any]
) -> None:
    found = together(
        *tells(ToldBy.GENERATOR, **of_generator), *tells(ToldBy.DOSE_REPORT, 130.0, **of_report)
    )

    assert [(len(one.others), one.perhaps) for one in found] == [(1, None)] * 6
    assert {one.told.study_instance_uid for one in found} == {STUDY}


def test_tellings_of_two_studies_are_two_exposures() -> None:
    found = together(
        *tells(ToldBy.GENERATOR, study_instance_uid=STUDY),
        *tells(ToldBy.DOSE_REPORT, 130.0, study_instance_uid=OTHER_STUDY),
    )

    assert [(one.others, one.perhaps) for one in found] == [((), None)] * 12


def test_one_of_another_study_among_such_as_name_none_is_left_to_a_person() -> None:
    own = tells(ToldBy.GENERATOR, study_instance_uid=STUDY)
    _, *silent = REPORT
    other, *_ = tells(ToldBy.DOSE_REPORT, 130.0, study_instance_uid=OTHER_STUDY)

    found = together(*own, other, *silent)

    assert {one.key: one.perhaps for one in found if one.perhaps} == {
        other.natural_key: own[0].natural_key
    }
    assert sorted(len(one.others) for one in found) == [0, 0, 1, 1, 1, 1, 1]


def test_an_event_that_only_one_tells_keeps_nothing_apart_and_two_events_do() -> None:
    event = {"irradiation_event_uid": EVENT}
    first, *rest = GENERATOR
    named = exposure(0, TIMES[0], set_exposure_ms=MS[0], exposure_ms=MS[0], **event)
    own = {
        "told_by": ToldBy.DOSE_REPORT,
        "exposure_counter": None,
        "set_exposure_ms": MS[0],
        "exposure_ms": MS[0],
    }
    other = exposure(0, 130.0, irradiation_event_uid=OTHER_EVENT, **own)

    for facts in ([named, *rest, *REPORT], [first, *rest, other, *REPORT[1:]]):
        assert [len(one.others) for one in together(*facts)] == [1] * 6
    apart = together(named, *rest, other, *REPORT[1:])
    assert {one.key: one.perhaps for one in apart if one.perhaps} == {
        other.natural_key: named.natural_key
    }


def test_one_event_is_one_exposure_whatever_the_times_unless_the_techniques_differ() -> None:
    named = exposure(1, 0.0, irradiation_event_uid=EVENT)
    report = {"told_by": ToldBy.DOSE_REPORT, "exposure_counter": None}
    far = exposure(1, 9000.0, irradiation_event_uid=EVENT, **report)
    differs = exposure(1, 1.0, irradiation_event_uid=EVENT, tube_kv=80.0, **report)

    (one,) = together(far, named)
    assert one.others == (far.natural_key,)
    assert one.reasons == ("told by dose report too: both name the same irradiation event",)
    both = {one.key: one.perhaps for one in together(named, differs)}
    assert both == {named.natural_key: None, differs.natural_key: named.natural_key}


def test_tellings_that_name_no_event_are_not_of_one_event() -> None:
    report = {"told_by": ToldBy.DOSE_REPORT, "exposure_counter": None}

    found = together(exposure(1, 0.0), exposure(1, 9000.0, **report))

    assert [one.others for one in found] == [(), ()]
    assert [one.perhaps for one in found] == [None, None]


def test_each_generators_tellings_are_compared_with_its_own_alone() -> None:
    two = tells(ToldBy.GENERATOR, 5.0, generator="generator-2")
    reports = tells(ToldBy.DOSE_REPORT, 135.0, generator="generator-2")

    found = together(*GENERATOR, *two, *REPORT, *reports)

    assert len(found) == 12
    for one in found:
        (key,) = one.others
        told = next(fact for fact in (*REPORT, *reports) if fact.natural_key == key)
        assert payload_of(told).generator == one.told.generator


def test_a_steps_tellings_are_kept_as_they_are_until_the_links_are_known() -> None:
    steps = tells(ToldBy.PERFORMED_STEP, 1.0)

    found = together(*GENERATOR, *steps)

    assert len(found) == 12
    assert {one.key for one in found if one.untimed} == {fact.natural_key for fact in steps}
    assert all(one.others == () and one.perhaps is None for one in found)


def test_a_step_that_names_the_event_joins_and_the_report_does_before_it() -> None:
    named = {"irradiation_event_uid": EVENT}
    report = exposure(
        1, 5.0, told_by=ToldBy.DOSE_REPORT, exposure_counter=None, reported_kerma_mgy=2.0, **named
    )
    step = exposure(
        1,
        9.0,
        told_by=ToldBy.PERFORMED_STEP,
        exposure_counter=None,
        reported_kerma_mgy=3.0,
        operator="tech-7",
        **named,
    )

    (one,) = together(step, report, exposure(1, 0.0, **named))

    assert one.others == (report.natural_key, step.natural_key)
    assert (one.told.reported_kerma_mgy, one.told.operator) == (2.0, "tech-7")
    assert one.told.told_by is ToldBy.GENERATOR


def test_a_telling_is_completed_by_what_it_does_not_know_and_by_that_alone() -> None:
    told = payload_of(exposure(1, 0.0, operator="tech-1"))
    more = payload_of(exposure(2, 0.0, operator="tech-2", preset="invented", tube_kv=70.0))

    both = completed(told, more)

    assert (both.operator, both.preset, both.tube_kv) == ("tech-1", "invented", 65.0)
    assert both.exposure_counter == 1


def test_the_reason_never_exceeds_what_a_text_may_hold() -> None:
    fact = exposure(1, 0.0, told_by=ToldBy.DOSE_REPORT, exposure_counter=None)
    one = ToldExposure(fact.natural_key, fact, payload_of(fact))

    assert told_too(one, "alike") == "told by dose report too: alike"
    assert len(told_too(one, "x" * 3000)) == 2000
