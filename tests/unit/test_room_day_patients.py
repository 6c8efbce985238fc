"""Whose study it is in a room's day, and what is asked where order, image and patient differ."""

from schemas.conclusions import ImageUse, StudyState, ViewStatus
from schemas.facts import PatientMerged
from schemas.teeth import Species
from tests.room_days import one, questions
from tests.room_facts import VIEWS, after, exposure, image, order, patient, told


def test_images_without_an_order_are_kept_with_a_question_and_no_patient() -> None:
    study = one([exposure(1, 0.0), image(1, 3.0, teeth=(307, 308))])
    assert study.patient is None
    assert study.patient_id == "P-1001"
    assert study.plan is None
    assert study.state is StudyState.UNDER_WAY
    assert "image-without-order" in questions(study)


def test_without_an_order_a_study_is_of_the_patient_of_its_first_image() -> None:
    study = one([image(2, 63.0, patient_id="P-2"), image(1, 3.0, patient_id="P-1")])

    assert study.patient_id == "P-1"


def test_an_image_of_another_species_waits_for_a_person() -> None:
    study = one([order(), exposure(1, 0.0), image(1, 3.0, view=VIEWS[0], species_code="448771007")])
    assert study.images[0].use is ImageUse.UNASSIGNED
    assert study.views[0].status is ViewStatus.NEEDS_PERSON
    assert questions(study) == ["species-differs"]


def test_a_tooth_that_the_species_lacks_is_a_question() -> None:
    study = one([order(), exposure(1, 0.0), image(1, 3.0, teeth=(409, 410, 411))])
    assert "tooth-not-of-species" in questions(study)
    assert study.images[0].use is ImageUse.UNASSIGNED


def test_an_image_of_another_patient_id_is_a_question_until_the_two_are_merged() -> None:
    facts = [order(), exposure(1, 0.0), image(1, 3.0, view=VIEWS[0], patient_id="P-0900")]
    assert questions(one(facts)) == ["patient-differs"]
    merge = told(PatientMerged(kept_patient_id="P-1001", retired_patient_id="P-0900"))
    merged = one([*facts, merge])
    assert merged.questions == ()
    assert merged.images[0].use is ImageUse.VIEW
    assert merge.natural_key in merged.facts


def test_a_retired_patient_id_reads_as_the_kept_one_also_through_two_merges() -> None:
    merges = [
        told(PatientMerged(kept_patient_id="P-2", retired_patient_id="P-1001"), after(1.0)),
        told(PatientMerged(kept_patient_id="P-3", retired_patient_id="P-2"), after(2.0)),
    ]
    study = one([order(), *merges])
    assert study.patient_id == "P-3"
    assert study.patient is not None
    assert study.patient.patient_id == "P-3"


def test_a_plan_of_another_species_and_an_unknown_plan_are_questions() -> None:
    assert questions(one([order(patient=patient(Species.DOG))])) == ["plan-of-other-species"]
    unknown = one([order(plan="no-such-plan")])
    assert questions(unknown) == ["plan-unknown"]
    assert unknown.views == ()
