"""Golden days of one invented room, and that neither order nor repetition changes them."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import (
    DoseVerdict,
    ExposureUse,
    ImageUse,
    StudyAssessed,
    StudyState,
    ViewStatus,
)
from schemas.envelope import Message, Payload
from schemas.facts import (
    ClockRead,
    ExposureEnded,
    FactWithdrawn,
    ImageAssigned,
    ImageRejected,
    LinkDecided,
    OrderCancelled,
    PatientMerged,
    ReadinessChecked,
    StudyClosed,
    ToothAbsent,
    ViewExcused,
)
from schemas.teeth import Species
from services.assessment.room_day import RoomDay
from services.assessment.study_exposures import ended_early
from tests.room_facts import (
    DAY,
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


def one(facts: Sequence[Message[Payload]]) -> StudyAssessed:
    return assess(facts)[STUDY]


def questions(study: StudyAssessed) -> list[str]:
    return [question.code for question in study.questions]


def full_mouth(offset_s: float = 0.0) -> Facts:
    """A cat in ten views, one each minute; the station's clock is ``offset_s`` ahead."""
    facts = [order()]
    for number, view in enumerate(VIEWS):
        facts.append(exposure(number, 60.0 * number))
        facts.append(image(number, 60.0 * number + 3.0 + offset_s, view=view))
    return facts


def two_cats() -> Facts:
    """Two cats back to back with all that may go wrong in a morning."""
    other = {"patient_id": "P-2001"}
    return [
        order(),
        order(OTHER_STUDY, patient=patient(patient_id="P-2001")),
        told(ClockRead(device=GENERATOR, device_time=after(-130.0)), after(-10.0)),
        exposure(1, 0.0),
        image(1, 123.0, view=VIEWS[0]),
        exposure(2, 60.0, exposure_ms=30.0, ended_early=True),
        exposure(3, 80.0),
        image(3, 203.4, view=VIEWS[1]),
        exposure(4, 140.0),
        image(4, 262.9, view=VIEWS[1]),
        exposure(5, 400.0),
        image(5, 523.2, OTHER_STUDY, view=VIEWS[0], **other),
        exposure(6, 470.0),
        image(6, 592.8, OTHER_STUDY, view=VIEWS[2], **other),
        told(
            ImageRejected(
                study_instance_uid=STUDY, sop_instance_uid=f"{STUDY}.1.3", reason_code="111209"
            ),
            after(300.0),
        ),
        told(ToothAbsent(study_instance_uid=STUDY, tooth=104), after(310.0)),
        told(
            FactWithdrawn(
                withdrawn_key=f"absent:{STUDY}:104:{after(310.0).isoformat()}", reason="It is there"
            ),
            after(320.0),
        ),
        told(ViewExcused(study_instance_uid=STUDY, view=VIEWS[3], reason="Woke"), after(330.0)),
        told(PatientMerged(kept_patient_id="P-2002", retired_patient_id="P-2001"), after(900.0)),
        told(StudyClosed(study_instance_uid=STUDY), after(700.0)),
    ]


def test_a_full_mouth_with_right_clocks_is_complete_and_every_exposure_linked() -> None:
    study = one(full_mouth())
    assert study.state is StudyState.COMPLETE
    assert {view.status for view in study.views} == {ViewStatus.DONE}
    assert {e.use for e in study.exposures} == {ExposureUse.IMAGE}
    assert len(study.exposures) == study.dose.exposures == 10
    assert study.still_missing == ()
    assert study.suggested_views == ()
    assert study.teeth_without_view == ()
    assert study.questions == ()
    assert study.dose.kerma_mgy > 0
    assert study.dose.verdict is not DoseVerdict.UNKNOWN
    assert "not a dosimeter" in study.dose.words
    assert all("Human dental" in words for words in study.dose.comparators)


def test_clocks_four_minutes_apart_change_no_link() -> None:
    near, far = one(full_mouth()), one(full_mouth(offset_s=-240.0))
    assert [(i.sop_instance_uid, i.exposure_key) for i in far.images] == [
        (i.sop_instance_uid, i.exposure_key) for i in near.images
    ]


def test_an_order_alone_is_planned_and_all_its_views_are_missing() -> None:
    study = one([order()])
    assert study.state is StudyState.PLANNED
    assert len(study.still_missing) == 10
    assert study.dose.exposures == 0
    assert study.dose.verdict is DoseVerdict.UNKNOWN
    assert study.facts == ("order:1001:1",)


def test_the_highest_revision_of_an_order_counts_whichever_comes_last() -> None:
    newer = order(revision=2, indication="Second look (invented)")
    assert one([newer, order()]).indication == "Second look (invented)"


def test_a_cancelled_order_without_images_is_cancelled() -> None:
    cancelled = told(OrderCancelled(order_id="1001"))
    assert one([cancelled, order()]).state is StudyState.CANCELLED
    imaged = one([*full_mouth(), cancelled])
    assert imaged.state is StudyState.COMPLETE
    assert questions(imaged) == ["imaged-though-cancelled"]


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


def test_an_aborted_exposure_is_dose_and_no_image() -> None:
    facts = [*full_mouth(), exposure(50, 90.0, exposure_ms=40.0, ended_early=True)]
    study = one(facts)
    aborted = next(e for e in study.exposures if e.use is ExposureUse.ENDED_EARLY)
    assert aborted.sop_instance_uid is None
    assert study.dose.exposures == 11
    assert study.dose.kerma_ended_early_mgy == pytest.approx(aborted.kerma_mgy)


@pytest.mark.parametrize(("delivered_ms", "early"), [(98.0, False), (97.9, True)])
def test_an_exposure_is_taken_as_ended_early_below_98_percent_of_its_time(
    delivered_ms: float, early: bool
) -> None:
    payload = exposure(1, 0.0, set_exposure_ms=100.0, exposure_ms=delivered_ms).payload
    assert isinstance(payload, ExposureEnded)
    assert ended_early(payload) is early


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


def test_a_single_pair_with_odd_clocks_is_proposed_and_never_linked() -> None:
    study = one([order(), exposure(1, 0.0), image(1, 200.0, view=VIEWS[0])])
    assert study.images[0].exposure_key is None
    assert [e.use for e in study.exposures] == [ExposureUse.PROPOSED]
    assert "link-proposed" in questions(study)


def test_two_cats_back_to_back_stay_apart() -> None:
    studies = assess(two_cats())
    first, second = studies[STUDY], studies[OTHER_STUDY]
    assert [e.use for e in first.exposures] == [
        ExposureUse.IMAGE,
        ExposureUse.ENDED_EARLY,
        ExposureUse.IMAGE,
        ExposureUse.IMAGE,
    ]
    assert [e.use for e in second.exposures] == [ExposureUse.IMAGE] * 2
    assert first.state is StudyState.INCOMPLETE
    assert first.closed
    assert second.patient_id == "P-2002"
    assert second.state is StudyState.UNDER_WAY


def test_an_exposure_between_two_patients_belongs_to_neither() -> None:
    facts = [*two_cats(), exposure(77, 270.0, exposure_ms=10.0, ended_early=True)]
    studies = assess(facts)
    assert all(
        exposure(77, 270.0).natural_key not in {e.exposure_key for e in study.exposures}
        for study in studies.values()
    )


def test_a_test_exposure_belongs_to_no_study() -> None:
    facts = [*full_mouth(), exposure(60, 90.0, test_exposure=True)]
    assert one(facts).dose.exposures == 10


def test_a_study_that_runs_past_midnight_stays_with_the_day_of_its_first_image() -> None:
    # 22:58 UTC on 1 March is 23:58 in Vienna; the second image follows on the next day there.
    late = datetime(2026, 3, 1, 22, 58, tzinfo=UTC) - after(0.0)
    night = late / timedelta(seconds=1)
    facts = [order()]
    for number in range(4):
        facts.append(exposure(number, night + 60.0 * number))
        facts.append(image(number, night + 60.0 * number + 3.0, view=VIEWS[number]))
    first_day = RoomDay("north", ROOM, date(2026, 3, 1))
    assert assess(facts, DAY) == {}
    study = assess(facts, first_day)[STUDY]
    assert study.day == date(2026, 3, 1)
    assert [e.use for e in study.exposures] == [ExposureUse.IMAGE] * 4


def test_facts_of_a_study_that_is_not_known_yet_make_no_assessment() -> None:
    assert assess([told(ToothAbsent(study_instance_uid=STUDY, tooth=104))]) == {}


EXPECTED = assess(two_cats())


@settings(deadline=None)
@given(data=st.data())
def test_any_order_and_repetition_of_the_facts_gives_the_identical_assessment(
    data: st.DataObject,
) -> None:
    facts = two_cats()
    shuffled = data.draw(st.permutations(facts))
    again = data.draw(st.lists(st.sampled_from(facts), max_size=8))
    assert assess([*shuffled, *again]) == EXPECTED


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


@settings(deadline=None)
@given(left_out=st.sets(st.integers(0, len(two_cats()) - 1)), data=st.data())
def test_order_does_not_matter_for_any_part_of_the_facts(
    left_out: set[int], data: st.DataObject
) -> None:
    facts = [fact for number, fact in enumerate(two_cats()) if number not in left_out]
    assert assess(data.draw(st.permutations(facts))) == assess(facts)
