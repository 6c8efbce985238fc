"""Golden days of one invented room, and that neither order nor repetition changes them."""

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import DoseVerdict, ExposureUse, StudyState, ViewStatus
from schemas.facts import ExposureEnded, OrderCancelled, ToothAbsent
from services.assessment.room_day import RoomDay
from services.assessment.study_exposures import ended_early
from tests.room_days import full_mouth, one, questions, two_cats
from tests.room_facts import (
    DAY,
    OTHER_STUDY,
    ROOM,
    STUDY,
    VIEWS,
    after,
    assess,
    exposure,
    image,
    order,
    told,
)


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


@settings(deadline=None)
@given(left_out=st.sets(st.integers(0, len(two_cats()) - 1)), data=st.data())
def test_order_does_not_matter_for_any_part_of_the_facts(
    left_out: set[int], data: st.DataObject
) -> None:
    facts = [fact for number, fact in enumerate(two_cats()) if number not in left_out]
    assert assess(data.draw(st.permutations(facts))) == assess(facts)
