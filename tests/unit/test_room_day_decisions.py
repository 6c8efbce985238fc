"""What people decide, reject, withdraw and check in a room's day."""

from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import ImageUse, StudyState
from schemas.envelope import Message, Payload
from schemas.facts import (
    FactWithdrawn,
    ImageAssigned,
    ImageRejected,
    LinkDecided,
    PatientMerged,
    ReadinessChecked,
    ToothAbsent,
)
from tests.room_days import full_mouth, one, questions
from tests.room_facts import STUDY, VIEWS, Facts, after, exposure, image, order, told


def test_a_rejected_view_is_missing_until_it_is_taken_again() -> None:
    reject = told(
        ImageRejected(
            study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.9", reason_code="111209"
        ),
        after(700.0),
    )
    rejected = one([*full_mouth(), reject])
    assert rejected.state is StudyState.UNDER_WAY
    assert rejected.suggested_views == (VIEWS[9],)
    assert rejected.dose.kerma_repeats_mgy == 0.0
    again = one([*full_mouth(), reject, exposure(99, 760.0), image(99, 763.0, view=VIEWS[9])])
    assert again.state is StudyState.COMPLETE
    assert [e.repeat for e in again.exposures].count(True) == 1
    assert again.dose.kerma_repeats_mgy > 0.0


def test_of_two_images_of_one_view_the_later_counts_and_the_earlier_is_a_repeat() -> None:
    study = one([*full_mouth(), exposure(99, 700.0), image(99, 703.0, view=VIEWS[0])])
    use = {i.sop_instance_uid: i.use for i in study.images}
    assert use[f"{STUDY}.1.0"] is ImageUse.REPEAT
    assert use[f"{STUDY}.1.99"] is ImageUse.VIEW


def test_a_withdrawn_decision_counts_no_more_and_a_withdrawn_withdrawal_counts_again() -> None:
    absent = told(ToothAbsent(study_instance_uid=STUDY, tooth=104), after(5.0))
    back = told(FactWithdrawn(withdrawn_key=absent.natural_key, reason="Wrong"), after(6.0))
    forth = told(FactWithdrawn(withdrawn_key=back.natural_key, reason="Right"), after(7.0))
    assert one([order(), absent]).absent_teeth == (104,)
    withdrawn = one([order(), absent, back])
    assert withdrawn.absent_teeth == ()
    assert absent.natural_key not in withdrawn.facts
    assert back.natural_key in withdrawn.facts
    assert one([forth, back, absent, order()]).absent_teeth == (104,)


def test_an_exposure_cannot_be_withdrawn() -> None:
    facts = full_mouth()
    key = next(fact.natural_key for fact in facts if fact.kind == "exposure_ended")
    withdrawn = told(
        FactWithdrawn(withdrawn_key=key, study_instance_uid=STUDY, reason="It hurts the sum")
    )
    study = one([*facts, withdrawn])
    assert study.dose.exposures == 10
    assert questions(study) == ["withdrawal-without-effect"]


def test_an_image_from_another_room_counts_for_its_view_and_asks_for_its_exposure() -> None:
    facts = [order(), image(1, 3.0, view=VIEWS[0]), exposure(1, 0.0)]
    other = {"room": "dental-2"}
    study = one([*facts, image(2, 60.0, view=VIEWS[1], **other), exposure(2, 57.0, **other)])
    assert [i.use for i in study.images] == [ImageUse.VIEW] * 2
    assert study.images[1].exposure_key is None
    assert questions(study) == ["image-from-elsewhere"]


def test_an_image_from_another_room_is_asked_about_until_a_person_says_that_none_here_made_it() -> (
    None
):
    other = {"room": "dental-2"}
    elsewhere = exposure(2, 57.0, **other)
    stray = image(2, 60.0, view=VIEWS[1], **other)
    facts = [order(), image(1, 3.0, view=VIEWS[0]), exposure(1, 0.0), stray, elsewhere]

    def decided(exposure_key: str | None, seconds: float) -> Message[Payload]:
        payload = LinkDecided(
            study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.2", exposure_key=exposure_key
        )
        return told(payload, after(seconds))

    none_here, another = decided(None, 80.0), decided(elsewhere.natural_key, 90.0)
    assert questions(one([*facts, none_here])) == []
    assert questions(one([*facts, none_here, another])) == ["image-from-elsewhere"]
    back = told(FactWithdrawn(withdrawn_key=none_here.natural_key, reason="Wrong"), after(99.0))
    assert questions(one([*facts, none_here, back])) == ["image-from-elsewhere"]


def test_of_two_decisions_on_one_image_the_later_holds() -> None:
    facts = [order(), exposure(1, 0.0), image(1, 3.0)]

    def assigned(view: str, seconds: float) -> Message[Payload]:
        payload = ImageAssigned(
            study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.1", view=view
        )
        return told(payload, after(seconds))

    study = one([*facts, assigned(VIEWS[2], 20.0), assigned(VIEWS[1], 10.0)])
    assert [image.view for image in study.images] == [VIEWS[2]]


def test_anaesthesia_is_confirmed_by_the_last_check_alone() -> None:
    def checked(confirmed: bool, seconds: float) -> Message[Payload]:
        payload = ReadinessChecked(
            study_instance_uid=STUDY,
            anaesthetic_plane_confirmed=confirmed,
            people_outside_beam=True,
            new_sensor_cover=True,
        )
        return told(payload, after(seconds), "tech-1")

    assert one([order(), checked(True, 1.0)]).anaesthesia_confirmed_by == "tech-1"
    assert one([order(), checked(False, 2.0), checked(True, 1.0)]).anaesthesia_confirmed_by is None


def test_a_person_decides_which_exposure_made_an_image() -> None:
    facts = full_mouth()
    second = exposure(1, 60.0).natural_key
    decided = told(
        LinkDecided(study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.0", exposure_key=second),
        after(900.0),
    )
    linked = {i.sop_instance_uid: i.exposure_key for i in one([*facts, decided]).images}
    assert linked[f"{STUDY}.1.0"] == second
    assert linked[f"{STUDY}.1.1"] != second


def contradictions() -> Facts:
    """Decisions, checks and merges that cannot hold together: of each, the last in time does."""
    first, second = f"{STUDY}.1.1", f"{STUDY}.1.2"

    def assigned(view: str, seconds: float) -> Message[Payload]:
        payload = ImageAssigned(study_instance_uid=STUDY, sop_instance_uid=first, view=view)
        return told(payload, after(seconds))

    def rejected(reason: str, seconds: float) -> Message[Payload]:
        payload = ImageRejected(
            study_instance_uid=STUDY, sop_instance_uid=second, reason_code=reason
        )
        return told(payload, after(seconds))

    def merged(kept: str, seconds: float) -> Message[Payload]:
        payload = PatientMerged(kept_patient_id=kept, retired_patient_id="P-1001")
        return told(payload, after(seconds))

    return [
        order(),
        *(exposure(1, 0.0), image(1, 3.0), exposure(2, 60.0), image(2, 63.0, view=VIEWS[0])),
        *(assigned(VIEWS[1], 110.0), assigned(VIEWS[2], 120.0)),
        *(rejected("111209", 130.0), rejected("111210", 140.0)),
        *(merged("P-2", 150.0), merged("P-3", 160.0)),
    ]


@settings(max_examples=40, deadline=None)
@given(facts=st.permutations(contradictions()))
def test_decisions_that_contradict_each_other_count_alike_in_any_order(facts: Facts) -> None:
    study = one(facts)

    assert study == one(contradictions())
    assert study.images[0].view == VIEWS[2]
    assert study.patient_id == "P-3"
