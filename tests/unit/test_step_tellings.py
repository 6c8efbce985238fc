"""Exposures that a performed step tells have no time: no link is made or broken by the step's."""

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import ExposureUse, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import ExposureEnded, LinkDecided, ToldBy
from services.assessment.rulebook import RULEBOOK
from tests.room_facts import (
    GENERATOR,
    OTHER_STUDY,
    ROOM,
    STUDY,
    VIEWS,
    Facts,
    after,
    assess,
    exposure,
    image,
    order,
    patient,
    told,
)

TIMES = (0.0, 70.0, 110.0, 240.0, 300.0, 420.0)
MS = (80.0, 100.0, 80.0, 125.0, 160.0, 125.0)


def step(begun_s: float, study: str = STUDY, **changes: Any) -> Facts:
    """The exposures of a step as intake tells them: at its start, one microsecond apart."""
    facts: Facts = []
    for number, ms in enumerate(MS, start=1):
        values: dict[str, Any] = {
            "room": ROOM,
            "generator": GENERATOR,
            "generator_serial": "INVENTED-0001",
            "told_by": ToldBy.PERFORMED_STEP,
            "study_instance_uid": study,
            "tube_kv": 65.0,
            "tube_current_ma": 7.0,
            "set_exposure_ms": ms,
            "exposure_ms": ms,
            "reported_kerma_mgy": number / 10.0,
        } | changes
        at = after(begun_s) + timedelta(microseconds=number)
        facts.append(told(ExposureEnded(**values), at, "station-1"))
    return facts


def of_generator() -> Facts:
    return [
        exposure(n, s, set_exposure_ms=ms, exposure_ms=ms)
        for n, (s, ms) in enumerate(zip(TIMES, MS, strict=True))
    ]


def imaged(study: str = STUDY, **changes: Any) -> Facts:
    facts: Facts = [order(study)]
    for n, (s, ms) in enumerate(zip(TIMES, MS, strict=True)):
        says = {"view": VIEWS[n], "tube_kv": 65.0, "tube_current_ma": 7.0, "exposure_ms": ms}
        facts.append(image(n, s + 64.0, study, **(says | changes)))
    return facts


SILENT: dict[str, Any] = {"tube_kv": None, "tube_current_ma": None, "exposure_ms": None}
BEGUN_S = (-7200.0, -60.0, 0.0, 64.0, 110.0, 3600.0)
"""When the step says that it began: also wrong by hours, and just where an image stands."""


def pairs(study: StudyAssessed) -> dict[str, float]:
    """Give for each image the set time of its exposure, which tells which one it was."""
    return {
        one.sop_instance_uid: one.set_exposure_ms
        for one in study.exposures
        if one.use is ExposureUse.IMAGE and one.sop_instance_uid is not None
    }


TRUE_PAIRS = {f"{STUDY}.1.{n}": ms for n, ms in enumerate(MS)}


@pytest.mark.parametrize("begun_s", BEGUN_S)
def test_a_steps_tellings_join_the_generators_exposures_whenever_it_began(begun_s: float) -> None:
    study = assess([*of_generator(), *imaged(), *step(begun_s)])[STUDY]
    assert len(study.exposures) == study.dose.exposures == 6
    assert pairs(study) == TRUE_PAIRS
    kerma = [one.kerma_mgy for one in study.exposures]
    assert kerma == pytest.approx([0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
    assert all("told by performed step too" in one.link_reasons[-1] for one in study.exposures)
    assert {fact.natural_key for fact in step(begun_s)} <= set(study.facts)


@pytest.mark.parametrize("begun_s", BEGUN_S)
@pytest.mark.parametrize("header", [{}, SILENT], ids=["header tells", "header silent"])
def test_a_step_alone_is_linked_by_its_order_whenever_it_began(
    begun_s: float, header: dict[str, Any]
) -> None:
    study = assess([*imaged(**header), *step(begun_s)])[STUDY]
    assert pairs(study) == TRUE_PAIRS
    assert study.dose.exposures == 6
    for one in study.exposures:
        assert one.rule == "link-in-step-order"
        assert "off the usual delay" not in " ".join(one.link_reasons)
    assert "link-in-step-order" in RULEBOOK


def test_a_step_that_begins_where_another_patients_image_stands_takes_none_of_its_images() -> None:
    other = [order(OTHER_STUDY, patient=patient(patient_id="P-2001"))]
    other += [
        image(n, s + 900.0, OTHER_STUDY, patient_id="P-2001", view=VIEWS[n])
        for n, s in enumerate(TIMES)
    ]
    studies = assess([*imaged(), *step(900.0), *other])
    assert pairs(studies[STUDY]) == TRUE_PAIRS
    assert studies[OTHER_STUDY].exposures == ()


def test_an_exposure_that_the_step_leaves_out_keeps_the_others_in_their_places() -> None:
    facts = step(0.0)
    del facts[3]
    study = assess([*of_generator(), *imaged(), *facts])[STUDY]
    assert study.dose.exposures == 6
    kerma = {one.exposure_ms: one.kerma_mgy for one in study.exposures if one.exposure_ms == 160.0}
    assert kerma == {160.0: pytest.approx(0.5)}


def test_a_telling_of_another_technique_is_one_more_exposure() -> None:
    more = step(0.0)[:1]
    odd = step(1.0, set_exposure_ms=400.0, exposure_ms=400.0)[:1]
    study = assess([*of_generator(), *imaged(), *more, *odd])[STUDY]
    assert odd[0].natural_key in [one.exposure_key for one in study.exposures]
    assert study.dose.exposures == 7


def test_a_telling_that_several_exposures_fit_is_asked_about_and_stands_in_no_sum() -> None:
    same = [exposure(n, s) for n, s in enumerate(TIMES)]
    one = step(0.0, set_exposure_ms=120.0, exposure_ms=120.0)[:1]
    study = assess([*same, *imaged(exposure_ms=120.0), *one])[STUDY]
    assert study.dose.exposures == 6
    assert [q.code for q in study.questions].count("exposure-told-twice") == 1


def test_a_person_may_say_which_telling_made_an_image_or_that_none_did() -> None:
    facts = [*imaged(**SILENT), *step(0.0)]

    def says(exposure_key: str | None) -> Message[Payload]:
        decided = LinkDecided(
            study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.0", exposure_key=exposure_key
        )
        return told(decided, after(2000.0))

    last = step(0.0)[-1].natural_key
    study = assess([*facts, says(last)])[STUDY]
    found = {one.exposure_key: one for one in study.exposures}[last]
    assert (found.sop_instance_uid, found.rule) == (f"{STUDY}.1.0", "link-decided")
    none = assess([*facts, says(None)])[STUDY]
    assert f"{STUDY}.1.0" not in pairs(none)


def test_a_persons_word_on_a_telling_that_joins_an_exposure_is_about_that_exposure() -> None:
    decided = LinkDecided(
        study_instance_uid=STUDY,
        sop_instance_uid=f"{STUDY}.1.0",
        exposure_key=step(0.0)[0].natural_key,
    )
    study = assess([*of_generator(), *imaged(), *step(0.0), told(decided, after(2000.0))])[STUDY]
    assert study.dose.exposures == 6
    assert pairs(study) == TRUE_PAIRS
    assert study.images[0].exposure_key == of_generator()[0].natural_key


ALL = [*of_generator(), *imaged(), *step(110.0)]
EXPECTED = assess(ALL)


@settings(deadline=None, max_examples=25)
@given(data=st.data())
def test_order_and_repetition_change_nothing(data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(ALL))
    again = data.draw(st.lists(st.sampled_from(ALL), max_size=5))
    assert assess([*shuffled, *again]) == EXPECTED


@settings(deadline=None, max_examples=25)
@given(begun_s=st.floats(-9000.0, 20_000.0), alone=st.booleans())
def test_when_a_step_began_changes_no_link(begun_s: float, alone: bool) -> None:
    facts = [*imaged(), *step(begun_s), *([] if alone else of_generator())]
    assert pairs(assess(facts)[STUDY]) == TRUE_PAIRS
