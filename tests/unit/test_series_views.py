"""What became of each planned view, by which facts, and which further views are suggested."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from schemas.conclusions import ViewResult, ViewStatus
from schemas.plans import load_plans
from services.assessment.series_views import (
    NOTHING_TOLD,
    SeriesImage,
    SeriesTold,
    missing_words,
    suggestion,
    uncovered_teeth,
    view_result,
)

PLANS = load_plans()
DOG = PLANS["dog-full-mouth"]
FOLLOW_UP = PLANS["dog-follow-up-108"]
CAT = PLANS["cat-full-mouth"]
MOLARS = next(view for view in DOG.views if view.code == "mand-molars-l")
CHEEK = next(view for view in CAT.views if view.alternatives)
AT = datetime(2026, 3, 2, 9, tzinfo=UTC)


def image(number: int, **changes: Any) -> SeriesImage:
    return SeriesImage(f"2.25.{number}", f"image:{number}", AT, **changes)


def result(view: Any = MOLARS, **changes: Any) -> ViewResult:
    values: dict[str, Any] = {
        "shown": {},
        "counting": {},
        "undecided": {},
        "excused": {},
        "absent": frozenset(),
        "told": NOTHING_TOLD,
    } | changes
    return view_result(view, **values)


def told(view: ViewResult) -> tuple[ViewStatus, str, str | None, tuple[str, ...]]:
    return view.status, view.words, view.rule, view.facts


def test_a_view_with_a_counting_image_is_done_and_names_every_image_that_shows_it() -> None:
    first, second = image(1, decided_by=("assigned:1",)), image(2)
    found = result(
        shown={MOLARS.code: [first, second]},
        counting={MOLARS.code: second},
        undecided={MOLARS.code: [image(3)]},
        told=SeriesTold(plan=("order:1:1",)),
    )

    assert told(found) == (
        ViewStatus.DONE,
        "done",
        "view-done",
        ("assigned:1", "image:1", "image:2", "order:1:1"),
    )
    assert found.images == ("2.25.1", "2.25.2")


def test_another_view_may_stand_for_it_and_is_named_but_its_own_comes_first() -> None:
    instead = CHEEK.alternatives[0]
    other, own = image(1), image(2)

    found = result(CHEEK, shown={instead: [other]}, counting={CHEEK.code: None, instead: other})
    assert told(found) == (
        ViewStatus.DONE,
        f"done by {instead} in its place",
        "view-done-by-alternative",
        ("image:1",),
    )
    found = result(
        CHEEK,
        shown={instead: [other], CHEEK.code: [own]},
        counting={CHEEK.code: own, instead: other},
    )
    assert told(found) == (ViewStatus.DONE, "done", "view-done", ("image:2",))


def test_an_excused_view_says_why_and_by_which_fact() -> None:
    excused = {MOLARS.code: "Patient woke early"}

    assert told(result(excused=excused)) == (
        ViewStatus.EXCUSED,
        "Patient woke early",
        "view-excused",
        (),
    )
    by = SeriesTold(excused={MOLARS.code: "excused:1"})
    assert result(excused=excused, told=by).facts == ("excused:1",)


def test_a_view_of_absent_teeth_alone_is_excused_by_the_chart() -> None:
    by = SeriesTold(absent={309: "absent:309", 411: "absent:411"})
    found = result(absent=frozenset(MOLARS.teeth), told=by)

    assert (found.status, found.rule) == (ViewStatus.EXCUSED, "view-of-absent-teeth")
    assert "retained roots" in found.words
    assert found.facts == ("absent:309",)
    partly = result(absent=frozenset(MOLARS.teeth[1:]), told=by)
    assert (partly.status, partly.facts) == (ViewStatus.MISSING, ())


def test_an_image_that_may_show_a_view_waits_for_a_person_unless_it_was_rejected() -> None:
    waits = result(undecided={MOLARS.code: [image(1), image(2, rejected="reason")]})
    assert told(waits)[:3] == (
        ViewStatus.NEEDS_PERSON,
        "an image may show it: a person decides",
        "view-waits-for-person",
    )
    assert (waits.images, waits.facts) == (("2.25.1",), ("image:1",))

    rejected = result(undecided={MOLARS.code: [image(2, rejected="reason")]})
    assert told(rejected) == (ViewStatus.MISSING, "no image yet", "view-has-no-image", ())


def test_a_view_whose_only_image_was_rejected_says_so_and_names_it() -> None:
    one = image(1, rejected="reason", decided_by=("rejected:1",))
    found = result(shown={MOLARS.code: [one]}, counting={MOLARS.code: None})

    assert told(found) == (
        ViewStatus.MISSING,
        "its image was rejected",
        "view-only-rejected",
        ("image:1", "rejected:1"),
    )


def view(code: str, teeth: tuple[int, ...], status: ViewStatus, **changes: Any) -> ViewResult:
    values: dict[str, Any] = {"title": code, "words": "invented"} | changes
    return ViewResult(view=code, teeth=teeth, status=status, **values)


def test_a_view_that_is_not_settled_is_named_with_its_reason_unless_it_is_just_missing() -> None:
    assert missing_words(view("a", (), ViewStatus.MISSING, title="Left molars")) == "Left molars"
    waits = view("a", (), ViewStatus.NEEDS_PERSON, title="Left molars")
    assert missing_words(waits) == "Left molars (invented)"


def test_the_name_of_a_view_never_exceeds_what_a_text_may_hold() -> None:
    long = view("a", (), ViewStatus.NEEDS_PERSON, title="T" * 1000, words="w" * 1500)

    assert len(missing_words(long)) == 2000


VIEWS = [view(MOLARS.code, MOLARS.teeth, ViewStatus.DONE)]
A, *REST = MOLARS.teeth


@pytest.mark.parametrize(
    ("shows", "left"),
    [
        (image(1), set()),
        (image(1, teeth=frozenset({A})), set(REST)),
        (image(1, teeth=frozenset({A}), assigned=MOLARS.code), set()),
        (None, set(MOLARS.teeth)),
    ],
    ids=["tells no teeth", "tells one tooth", "a person's word", "no image"],
)
def test_an_image_settles_its_own_teeth_or_all_of_its_view_by_a_persons_word(
    shows: SeriesImage | None, left: set[int]
) -> None:
    nothing: frozenset[int] = frozenset()

    assert uncovered_teeth(DOG, VIEWS, {MOLARS.code: shows}, nothing, nothing) == left


def test_a_view_settles_its_own_uncertain_teeth_and_no_others() -> None:
    shows = {MOLARS.code: image(1, teeth=frozenset({A}))}
    one = frozenset({REST[0], 101})
    views = [*VIEWS, view("other", (101,), ViewStatus.MISSING)]

    assert uncovered_teeth(DOG, views, shows, frozenset(), one) == {*REST[1:], 101}


def test_an_image_of_no_planned_view_covers_the_teeth_that_it_tells() -> None:
    shows = {"not-planned": image(1, teeth=frozenset({A}))}

    assert uncovered_teeth(DOG, VIEWS, shows, frozenset(), frozenset()) == set(REST)
    silent = {"not-planned": image(1)}
    assert uncovered_teeth(DOG, VIEWS, silent, frozenset(), frozenset()) == set(MOLARS.teeth)


def test_absent_teeth_and_those_of_excused_views_are_wanted_no_more() -> None:
    views = [*VIEWS, view("other", (101, 102), ViewStatus.EXCUSED)]

    assert uncovered_teeth(DOG, views, {}, frozenset({A}), frozenset()) == set(REST)


def test_of_a_single_tooth_each_view_that_is_left_is_wanted_for_itself() -> None:
    views = [
        view("done", (108,), ViewStatus.DONE),
        view("missing", (108,), ViewStatus.MISSING),
        view("excused", (108,), ViewStatus.EXCUSED),
        view("waits", (108,), ViewStatus.NEEDS_PERSON),
    ]

    assert suggestion(FOLLOW_UP, views, frozenset({108})) == (
        ("missing", "waits"),
        "Each view of a single tooth is wanted for itself.",
    )
    assert suggestion(FOLLOW_UP, views[:1], frozenset({108})) == ((), None)


def test_of_a_mouth_the_fewest_views_are_suggested_and_never_an_excused_one() -> None:
    views = [
        view("all", (101, 102, 103), ViewStatus.EXCUSED),
        view("one", (101,), ViewStatus.MISSING),
        view("two", (101, 102), ViewStatus.MISSING),
        view("three", (103,), ViewStatus.MISSING),
    ]

    assert suggestion(DOG, views, frozenset()) == ((), None)
    keys, words = suggestion(DOG, views, frozenset({101, 102}))
    assert (keys, words) == (("two",), "1 further view shows every tooth that is left.")
    keys, words = suggestion(DOG, views, frozenset({101, 102, 103}))
    assert set(keys) == {"two", "three"}
    assert words is not None
    assert words.startswith("2 further views show every tooth that is left; fewer cannot: no view ")
    assert words.endswith(("shows two of 101, 103.", "shows two of 102, 103."))


def test_where_no_teeth_prove_it_every_smaller_choice_was_tried() -> None:
    # Any two of the three teeth are on one view, yet no view shows all three.
    views = [
        view(f"v{n}", teeth, ViewStatus.MISSING)
        for n, teeth in enumerate([(101, 102), (102, 103), (101, 103)])
    ]

    keys, words = suggestion(DOG, views, frozenset({101, 102, 103}))

    assert len(keys) == 2
    assert words == (
        "2 further views show every tooth that is left; fewer cannot: every smaller choice of "
        "views was tried."
    )
