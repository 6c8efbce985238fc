"""Technique, quality, repeats and suspicions of a whole room-day, and why each was concluded."""

import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import ImageUse, RepeatKind, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import (
    AnimalSize,
    ImageAssigned,
    ImageRejected,
    Patient,
    Receptor,
    StudyClosed,
    ToothAbsent,
    ViewExcused,
    Weight,
    WeightUnit,
)
from schemas.group import Group, Site
from schemas.messages import MAX_MESSAGE_BYTES
from schemas.teeth import Species
from services.assessment.room_day import RoomDay
from services.assessment.rulebook import RULEBOOK
from services.assessment.rules import Rules, load_rules
from services.assessment.study import assess_room_day
from services.assessment.why import reasons
from tests.room_facts import GROUP, OTHER_STUDY, ROOM, STUDY, after, exposure, image, order, told

DAY = RoomDay("north", ROOM, date(2026, 3, 2))

Facts = list[Message[Payload]]


def site_with_chart() -> Site:
    """The invented site, with a technique chart, a plate and presets of one side."""
    data = json.loads(GROUP.model_dump_json())
    site = data["sites"][0]
    site["techniques"] = "invented_chart"
    site["sensors"] = [
        {"name": "plate-a", "receptor": "storage_phosphor_plate", "receptor_size": 2}
    ]
    site["devices"][0]["presets"] |= {"cheek-right": [407, 408, 409]}
    return Group.model_validate_json(json.dumps(data)).sites[0]


SITE = site_with_chart()


def rules() -> Rules:
    return load_rules(SITE, Path("a-folder-that-is-not-there"))


RULES = rules()
VIEWS = RULES.plans["dog-full-mouth"].views
DOG = Patient(
    patient_id="P-1001",
    name="Invented Pepper",
    species=Species.DOG,
    weight=Weight(value=11.4, unit=WeightUnit.KG),
)
SET: dict[str, Any] = {
    "preset": "front-upper",
    "receptor": Receptor.DIRECT_SENSOR,
    "animal_size": AnimalSize.SMALL,
    "set_exposure_ms": 90.0,
    "exposure_ms": 90.0,
}


def assess(facts: Sequence[Message[Payload]]) -> dict[str, StudyAssessed]:
    return assess_room_day(facts, SITE, DAY, RULES)


def one(facts: Sequence[Message[Payload]]) -> StudyAssessed:
    return assess(facts)[STUDY]


def dog_order(**changes: Any) -> Message[Payload]:
    values: dict[str, Any] = {"patient": DOG, "plan": "dog-full-mouth"} | changes
    return order(**values)


def taken(number: int, seconds: float, view: str | None, **image_says: Any) -> Facts:
    made = {name: image_says.pop(name) for name in list(image_says) if name in _OF_EXPOSURE}
    return [
        exposure(number, seconds, **(SET | made)),
        image(number, seconds + 3.0, view=view, **image_says),
    ]


_OF_EXPOSURE = {"preset", "set_exposure_ms", "exposure_ms", "manual_setting", "animal_size"}


def codes(study: StudyAssessed) -> list[str]:
    return [question.code for question in study.questions]


def bad_morning() -> Facts:
    """A dog whose morning holds something for every rule, and a cat after it."""
    front = [view.code for view in VIEWS[:3]]
    by_hand = {"set_exposure_ms": 150.0, "exposure_ms": 150.0}
    return [
        dog_order(),
        *taken(1, 0.0, front[0], manual_setting=True, **by_hand),
        *taken(2, 60.0, front[0], **by_hand),
        *taken(3, 120.0, front[1], animal_size=AnimalSize.LARGE, sensor="plate-a"),
        exposure(4, 180.0, **(SET | {"exposure_ms": 20.0, "ended_early": True})),
        *taken(5, 240.0, front[2], exposure_index=100.0, target_exposure_index=400.0),
        *taken(6, 300.0, None, teeth=(309, 310, 311), laterality="R"),
        *taken(7, 360.0, None, teeth=(307, 308), preset="cheek-right"),
        told(
            ImageRejected(
                study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.1", reason_code="111209"
            ),
            after(400.0),
        ),
        told(ToothAbsent(study_instance_uid=STUDY, tooth=305), after(410.0)),
        told(
            ViewExcused(study_instance_uid=STUDY, view="mand-molars-r", reason="Woke"),
            after(420.0),
        ),
        told(StudyClosed(study_instance_uid=STUDY), after(500.0)),
        order(OTHER_STUDY, patient=DOG.model_copy(update={"patient_id": "P-2001"})),
        exposure(8, 1_500.0, **SET),
        image(8, 1_503.0, OTHER_STUDY, view="max-incisors", patient_id="P-2001"),
    ]


MORNING = assess(bad_morning())


def test_a_morning_with_all_that_may_be_odd_finds_each_once() -> None:
    study = MORNING[STUDY]
    found = {(finding.code, finding.exposure_key.split(":")[2]) for finding in study.technique}
    assert ("manual-setting", "1") in found
    assert ("not-back-at-preset", "2") in found
    assert ("size-against-weight", "3") in found
    assert ("receptor-differs", "3") in found
    assert ("preset-not-in-chart", "7") in found
    assert [hint.code for hint in study.quality] == ["deviation-far-under"]
    assert [repeat.kind for repeat in study.repeats] == [
        RepeatKind.REJECTED_THEN_RETAKEN,
        RepeatKind.AFTER_EARLY_END,
    ]
    assert "laterality-differs" in codes(study)
    assert "side-differs" in codes(study)
    assert study.state_words is not None
    assert study.state_words.startswith("Closed incomplete: ")


def test_every_rule_that_is_named_stands_in_the_rulebook() -> None:
    for study in MORNING.values():
        named = {
            *(view.rule for view in study.views),
            *(shown.rule for shown in study.images),
            *(made.rule for made in study.exposures),
            *(finding.rule for finding in study.technique),
            *(hint.rule for hint in study.quality),
            *(repeat.rule for repeat in study.repeats),
            *(question.rule for question in study.questions),
        }
        assert None not in named
        assert named <= set(RULEBOOK)


def test_whatever_a_conclusion_rests_on_is_among_the_facts_of_the_study_and_was_told() -> None:
    keys = {fact.natural_key for fact in bad_morning()}
    for study in MORNING.values():
        assert set(study.facts) <= keys
        for reason in reasons(study):
            assert reason.facts, reason.about
            assert set(reason.facts) <= set(study.facts), reason.about


def test_an_assessment_stays_far_below_the_largest_message() -> None:
    assert all(len(s.model_dump_json()) < MAX_MESSAGE_BYTES / 10 for s in MORNING.values())


def test_a_side_mark_against_the_teeth_keeps_an_image_from_counting_until_assigned() -> None:
    facts = [dog_order(), *taken(1, 0.0, "mand-molars-l", laterality="R")]
    assert codes(one(facts)) == ["laterality-differs"]
    assert one(facts).images[0].use is ImageUse.UNASSIGNED
    assigned = told(
        ImageAssigned(
            study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.1", view="mand-molars-r"
        )
    )
    settled = one([*facts, assigned])
    assert settled.questions == ()
    assert settled.images[0].view == "mand-molars-r"


def test_a_side_mark_that_agrees_or_says_both_is_no_matter() -> None:
    for mark in ("L", "B"):
        study = one([dog_order(), *taken(1, 0.0, "mand-molars-l", laterality=mark)])
        assert study.questions == ()


def alternating(patient_id: str = "P-2001") -> Facts:
    other = {"study": OTHER_STUDY, "patient_id": patient_id}
    return [
        dog_order(),
        order(OTHER_STUDY, patient=DOG.model_copy(update={"patient_id": patient_id})),
        *taken(1, 0.0, VIEWS[0].code),
        *taken(2, 60.0, VIEWS[0].code, **other),
        *taken(3, 120.0, VIEWS[1].code),
    ]


def test_images_of_two_patients_that_alternate_are_a_question_to_both_studies() -> None:
    studies = assess(alternating())
    for study in studies.values():
        asked = [q for q in study.questions if q.code == "patients-interleaved"]
        assert len(asked) == 1
        assert len(asked[0].about) == 3


def test_two_studies_of_one_patient_may_alternate() -> None:
    assert all(
        "patients-interleaved" not in codes(s) for s in assess(alternating("P-1001")).values()
    )


def test_patients_one_after_the_other_or_far_apart_in_time_are_no_question() -> None:
    in_turn = [f for f in alternating() if "2.25.1001.1.3" not in f.natural_key]
    assert all("patients-interleaved" not in codes(s) for s in assess(in_turn).values())
    late = [*in_turn, *taken(9, 2_000.0, VIEWS[2].code)]
    assert all("patients-interleaved" not in codes(s) for s in assess(late).values())


def test_a_persons_word_on_each_image_answers_the_question_of_alternating_patients() -> None:
    decided = [
        told(
            ImageAssigned(
                study_instance_uid=STUDY,
                sop_instance_uid=f"{STUDY}.1.{number}",
                view=VIEWS[number].code,
            )
        )
        for number in (1, 3)
    ]
    studies = assess([*alternating(), *decided])
    assert "patients-interleaved" not in codes(studies[STUDY])
    assert "patients-interleaved" in codes(studies[OTHER_STUDY])


def test_a_plan_against_the_age_is_a_question_with_the_plan_that_fits() -> None:
    puppy = DOG.model_copy(update={"born_on": date(2026, 1, 10)})
    study = one([dog_order(patient=puppy)])
    assert codes(study) == ["plan-against-age"]
    assert "dog, deciduous teeth, 10 views" in study.questions[0].words
    assert codes(one([dog_order(patient=puppy, plan="dog-deciduous")])) == []
    assert codes(one([dog_order(patient=puppy, plan="dog-follow-up-108")])) == []


def test_an_unknown_plan_is_asked_about_with_the_one_that_fits() -> None:
    study = one([dog_order(plan="no-such-plan")])
    assert "it would be dog, full mouth, 14 views" in study.questions[0].words


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_order_and_repetition_gives_the_identical_assessment(data: st.DataObject) -> None:
    facts = bad_morning()
    shuffled = data.draw(st.permutations(facts))
    again = data.draw(st.lists(st.sampled_from(facts), max_size=8))
    assert assess([*shuffled, *again]) == MORNING


@settings(max_examples=40, deadline=None)
@given(left_out=st.sets(st.integers(0, len(bad_morning()) - 1), max_size=12), data=st.data())
def test_facts_left_out_and_told_later_lead_back_to_the_same_assessment(
    left_out: set[int], data: st.DataObject
) -> None:
    facts = bad_morning()
    kept = [fact for number, fact in enumerate(facts) if number not in left_out]
    without = assess(kept)
    assert assess(data.draw(st.permutations(kept))) == without
    assert assess([*kept, *(facts[number] for number in left_out)]) == MORNING
