"""A plan against its images: what each image does, what is missing, what a person must say."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.conclusions import ImageUse, StudyState, ViewResult, ViewStatus
from schemas.plans import Plan, load_plans
from services.assessment.series import SeriesCheck, check_series
from services.assessment.series_views import SeriesImage, SeriesTold, suggestion
from services.assessment.study_state import state_of, state_words

PLANS = load_plans()
CAT = PLANS["cat-full-mouth"]
DOG = PLANS["dog-full-mouth"]
FOLLOW_UP = PLANS["dog-follow-up-108"]
START = datetime(2026, 3, 2, 9, tzinfo=UTC)


def image(number: int, **changes: Any) -> SeriesImage:
    at = START + timedelta(minutes=number)
    teeth = frozenset(changes.pop("teeth", ()))
    return SeriesImage(f"2.25.{number}", f"image:{number}", at, teeth=teeth, **changes)


def status(check: SeriesCheck, view: str) -> ViewStatus:
    return next(result.status for result in check.views if result.view == view)


def use(check: SeriesCheck, number: int) -> tuple[ImageUse, str | None]:
    part = check.images[f"2.25.{number}"]
    return part.use, part.view


def everything(plan: Plan) -> list[SeriesImage]:
    return [image(n, claimed=view.code) for n, view in enumerate(plan.views)]


def test_every_planned_view_done_leaves_nothing_missing() -> None:
    for plan in PLANS.values():
        check = check_series(plan, everything(plan))
        assert check.settled
        assert check.still_missing == ()
        assert check.teeth_without_view == ()


def test_without_images_all_is_missing_and_the_suggestion_covers_every_tooth() -> None:
    check = check_series(DOG, [])
    assert {view.status for view in check.views} == {ViewStatus.MISSING}
    assert set(check.teeth_without_view) == DOG.teeth
    suggested = {t for code in check.suggested_views for t in DOG.view(code).teeth}  # type: ignore[union-attr]
    assert suggested == DOG.teeth


def test_the_suggestion_leaves_out_a_view_whose_teeth_the_others_show() -> None:
    # In this plan the lower incisor view of the cat shows both lower canines as well.
    assert "mand-canine-l" not in check_series(CAT, []).suggested_views
    assert "left lower canine" in check_series(CAT, []).still_missing


@pytest.mark.parametrize("first", ["max-canine-r", "max-canine-l"])
def test_of_two_views_of_a_tooth_the_one_that_is_not_done_is_suggested(first: str) -> None:
    views = [
        ViewResult(view=code, title=code, teeth=(104,), status=told, words="invented")
        for code, told in (("max-canine-r", ViewStatus.DONE), ("max-canine-l", ViewStatus.MISSING))
    ]
    views.sort(key=lambda view: view.view != first)

    assert suggestion(DOG, views, frozenset({104}))[0] == ("max-canine-l",)


def test_teeth_alone_find_the_view_that_they_fill() -> None:
    check = check_series(DOG, [image(1, teeth=(309, 310, 311))])
    assert use(check, 1) == (ImageUse.VIEW, "mand-molars-l")


def test_teeth_that_fill_no_view_make_an_extra_that_still_covers_them() -> None:
    check = check_series(DOG, [image(1, teeth=(309,))])
    assert use(check, 1) == (ImageUse.EXTRA, None)
    assert status(check, "mand-molars-l") is ViewStatus.MISSING


def test_teeth_that_fit_two_views_equally_need_a_person() -> None:
    check = check_series(FOLLOW_UP, [image(1, teeth=(108,))])
    assert use(check, 1) == (ImageUse.UNASSIGNED, None)
    assert {view.status for view in check.views} == {ViewStatus.NEEDS_PERSON}
    assert [question.code for question in check.questions] == ["image-without-view"]
    assert all("a person decides" in words for words in check.still_missing)


def test_of_a_single_tooth_every_view_is_wanted_for_itself() -> None:
    check = check_series(FOLLOW_UP, [image(1, claimed="t108-lateral")])
    assert check.teeth_without_view == ()
    assert check.suggested_views == ("t108-turned",)


def test_an_image_that_says_nothing_is_a_question() -> None:
    check = check_series(CAT, [image(1)])
    assert use(check, 1) == (ImageUse.UNASSIGNED, None)
    assert len(check.questions) == 1


def test_a_claimed_view_that_its_teeth_contradict_is_a_question() -> None:
    check = check_series(DOG, [image(1, claimed="mand-molars-l", teeth=(409, 410))])
    assert use(check, 1) == (ImageUse.UNASSIGNED, None)
    assert status(check, "mand-molars-l") is ViewStatus.NEEDS_PERSON


def test_a_persons_assignment_outranks_claim_teeth_and_doubts() -> None:
    check = check_series(
        DOG,
        [
            image(
                1,
                claimed="mand-molars-l",
                teeth=(409, 410, 411),
                doubts=("the image says cat",),
                assigned="mand-molars-r",
            )
        ],
    )
    assert use(check, 1) == (ImageUse.VIEW, "mand-molars-r")
    assert check.questions == ()


def test_a_doubtful_image_does_not_count() -> None:
    check = check_series(DOG, [image(1, claimed="mand-molars-l", doubts=("it says cat",))])
    assert use(check, 1) == (ImageUse.UNASSIGNED, None)
    assert 309 in check.teeth_without_view


def test_the_latest_unrejected_image_counts_and_the_others_are_repeats_or_rejected() -> None:
    images = [
        image(1, claimed="max-canine-l"),
        image(2, claimed="max-canine-l"),
        image(3, claimed="max-canine-l", rejected="reason 111209"),
    ]
    check = check_series(DOG, images)
    assert [use(check, n)[0] for n in (1, 2, 3)] == [
        ImageUse.REPEAT,
        ImageUse.VIEW,
        ImageUse.REJECTED,
    ]
    assert [check.images[f"2.25.{n}"].superseded for n in (1, 2, 3)] == [True, False, True]


def test_a_substitute_stands_for_the_view_that_accepts_it() -> None:
    check = check_series(CAT, [image(1, claimed="max-extraoral-l")])
    assert use(check, 1) == (ImageUse.VIEW, "max-cheek-l")
    assert status(check, "max-cheek-l") is ViewStatus.DONE


def test_an_excused_view_is_settled_and_its_own_teeth_are_asked_for_no_more() -> None:
    check = check_series(DOG, [], excused={"mand-molars-l": "Patient woke early"})
    assert status(check, "mand-molars-l") is ViewStatus.EXCUSED
    assert not {309, 310, 311} & set(check.teeth_without_view)
    assert "mand-molars-l" not in check.suggested_views


def test_an_image_of_an_excused_view_counts_all_the_same() -> None:
    check = check_series(
        DOG, [image(1, claimed="mand-molars-l")], excused={"mand-molars-l": "Woke"}
    )
    assert status(check, "mand-molars-l") is ViewStatus.DONE


def test_a_view_whose_teeth_are_all_absent_is_excused_with_a_word_on_roots() -> None:
    check = check_series(DOG, [], absent=frozenset({309, 310, 311}))
    result = next(view for view in check.views if view.view == "mand-molars-l")
    assert result.status is ViewStatus.EXCUSED
    assert "retained roots" in result.words


def test_absent_teeth_need_not_be_on_the_image_that_fills_a_view() -> None:
    check = check_series(DOG, [image(1, teeth=(309, 310))], absent=frozenset({311}))
    assert use(check, 1) == (ImageUse.VIEW, "mand-molars-l")


def test_without_a_plan_images_with_teeth_are_extra() -> None:
    check = check_series(None, [image(1, teeth=(309,)), image(2)])
    assert use(check, 1)[0] is ImageUse.EXTRA
    assert use(check, 2)[0] is ImageUse.UNASSIGNED
    assert check.views == ()


def test_the_state_follows_from_views_images_and_closing() -> None:
    nothing, all_done = check_series(DOG, []), check_series(DOG, everything(DOG))
    no_plan = check_series(None, [])

    def state(
        check: SeriesCheck, begun: bool = True, closed: bool = False, cancelled: bool = False
    ) -> StudyState:
        return state_of(check, begun=begun, closed=closed, cancelled=cancelled)

    assert state(nothing, begun=False) is StudyState.PLANNED
    assert state(nothing) is StudyState.UNDER_WAY
    assert state(nothing, closed=True) is StudyState.INCOMPLETE
    assert state(all_done) is StudyState.COMPLETE
    assert state(all_done, closed=True) is StudyState.COMPLETE
    assert state(nothing, begun=False, cancelled=True) is StudyState.CANCELLED
    assert state(nothing, cancelled=True) is StudyState.UNDER_WAY
    assert state(no_plan) is StudyState.UNDER_WAY


@given(
    taken=st.sets(st.sampled_from([view.code for view in DOG.views])),
    absent=st.frozensets(st.sampled_from(sorted(DOG.teeth)), max_size=10),
)
def test_after_the_suggested_views_no_tooth_is_without_a_view(
    taken: set[str], absent: frozenset[int]
) -> None:
    images = [image(n, claimed=code) for n, code in enumerate(sorted(taken))]
    first = check_series(DOG, images, absent=absent)
    more = [image(100 + n, claimed=code) for n, code in enumerate(first.suggested_views)]
    assert check_series(DOG, [*images, *more], absent=absent).teeth_without_view == ()


# Mixed dentition


MIXED = PLANS["dog-mixed"]


def test_in_a_mixed_dentition_either_tooth_of_a_position_shows_it() -> None:
    deciduous = check_series(MIXED, [image(1, claimed="max-canine-l", teeth=(604,))])
    permanent = check_series(MIXED, [image(1, claimed="max-canine-l", teeth=(204,))])
    for check in (deciduous, permanent):
        assert status(check, "max-canine-l") is ViewStatus.DONE
        assert 204 not in check.teeth_without_view


def test_in_a_permanent_dentition_a_deciduous_tooth_shows_no_permanent_one() -> None:
    check = check_series(DOG, [image(1, teeth=(604,))])
    assert use(check, 1) == (ImageUse.EXTRA, None)
    assert 204 in check.teeth_without_view


def test_deciduous_teeth_alone_find_their_view_of_a_mixed_plan() -> None:
    # Position 305 has no deciduous tooth and need not be named by the image.
    check = check_series(MIXED, [image(1, teeth=(704, 706))])
    assert use(check, 1) == (ImageUse.VIEW, "mand-canine-l")
    assert not {304, 305, 306} & set(check.teeth_without_view)


def test_a_mixed_position_is_absent_only_once_both_its_teeth_are() -> None:
    shed = check_series(MIXED, [], absent=frozenset({604}))
    both = check_series(MIXED, [], absent=frozenset({604, 204}))
    assert status(shed, "max-canine-l") is ViewStatus.MISSING
    assert status(both, "max-canine-l") is ViewStatus.EXCUSED


# Why


def test_the_fewest_views_come_with_a_reason_why_fewer_cannot_do() -> None:
    check = check_series(DOG, [])
    assert check.suggestion_words is not None
    assert check.suggestion_words.startswith(f"{len(check.suggested_views)} further views")
    assert "no view shows two of" in check.suggestion_words
    one_left = [image(n, claimed=v.code) for n, v in enumerate(DOG.views[1:])]
    assert check_series(DOG, one_left).suggestion_words == (
        "1 further view shows every tooth that is left."
    )
    assert check_series(DOG, everything(DOG)).suggestion_words is None


def test_a_view_and_an_image_name_the_facts_that_they_rest_on() -> None:
    told = SeriesTold(
        plan=("order:1:1",), excused={"max-incisors": "excused:1"}, absent={309: "absent:309"}
    )
    check = check_series(
        DOG,
        [
            image(1, claimed="max-canine-l", rejected="reason 111209", decided_by=("rejected:1",)),
            image(2, claimed="max-canine-l"),
        ],
        excused={"max-incisors": "Patient woke early"},
        told=told,
    )
    facts = {view.view: view.facts for view in check.views}
    assert facts["max-incisors"] == ("excused:1", "order:1:1")
    assert facts["max-canine-l"] == ("image:1", "image:2", "order:1:1", "rejected:1")
    assert facts["mand-molars-l"] == ("order:1:1",)
    assert check.images["2.25.1"].facts == ("image:1", "image:2", "order:1:1", "rejected:1")
    assert check.images["2.25.2"].facts == ("image:2", "order:1:1")


def test_the_state_is_said_in_the_words_of_the_room() -> None:
    def words(check: SeriesCheck, *, begun: bool, closed: bool) -> str:
        state = state_of(check, begun=begun, closed=closed, cancelled=False)
        return state_words(check, state, closed=closed)

    follow_up = check_series(FOLLOW_UP, [image(1, claimed="t108-lateral")])
    assert words(follow_up, begun=True, closed=False) == (
        "Under way: 1 of 2 views done, 1 to go: right upper fourth premolar, beam turned."
    )
    assert words(follow_up, begun=True, closed=True).startswith("Closed incomplete: 1 of 2 views")
    assert words(check_series(DOG, []), begun=False, closed=False).endswith("; and 8 more.")
    done = check_series(DOG, everything(DOG))
    assert words(done, begun=True, closed=True) == "Complete and closed: 14 of 14 views done."
    assert words(check_series(None, []), begun=True, closed=False) == (
        "Under way: 0 images, no plan to check against."
    )
