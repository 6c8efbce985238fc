"""Repeats: found once each, and told apart by what led to them."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from schemas.conclusions import ExposureUse, RepeatKind
from services.assessment.repeats import MadeExposure, ShownImage, find_repeats

START = datetime(2026, 3, 2, 9, tzinfo=UTC)


def image(
    number: int, seconds: float, view: str = "max-canine-l", rejected: str | None = None
) -> ShownImage:
    at = START + timedelta(seconds=seconds)
    return ShownImage(
        f"2.25.{number}", (f"image:{number}",), at, view, "left upper canine", rejected
    )


def exposure(
    number: int, seconds: float, use: ExposureUse, made: int | None = None, preset: str = "front"
) -> MadeExposure:
    at = START + timedelta(seconds=seconds)
    uid = None if made is None else f"2.25.{made}"
    return MadeExposure(f"exposure:{number}", at, use, preset, uid)


def kinds(images: list[ShownImage], exposures: list[MadeExposure] | None = None) -> list[str]:
    return [repeat.kind.value for repeat in find_repeats(images, exposures or [])]


def test_one_image_of_each_view_is_no_repeat() -> None:
    assert kinds([image(1, 0.0), image(2, 60.0, "max-incisors")]) == []


def test_an_image_after_a_rejected_one_says_why_it_was_taken() -> None:
    (repeat,) = find_repeats([image(2, 90.0), image(1, 0.0, rejected="reason 111209")], [])
    assert repeat.kind is RepeatKind.REJECTED_THEN_RETAKEN
    assert (repeat.first, repeat.again, repeat.seconds_between) == ("2.25.1", "2.25.2", 90.0)
    assert "reason 111209" in repeat.words
    assert repeat.facts == ("image:1", "image:2")


def test_a_retake_within_a_minute_and_one_later_are_told_apart() -> None:
    assert kinds([image(1, 0.0), image(2, 60.0)]) == ["retaken_within_seconds"]
    assert kinds([image(1, 0.0), image(2, 61.0)]) == ["same_view_twice"]


def test_from_two_minutes_on_a_time_is_told_in_minutes() -> None:
    told = [find_repeats([image(1, 0.0), image(2, s)], [])[0].words for s in (119.0, 120.0)]
    assert told == [
        "left upper canine: taken again 119 s later without a rejection.",
        "left upper canine: taken again 2 min later without a rejection.",
    ]


def test_a_title_as_long_as_a_plan_allows_is_cut_to_what_a_conclusion_takes() -> None:
    first, second = (replace(image(n, 30.0 * n), title="x" * 2000) for n in (1, 2))
    early = exposure(1, 0.0, ExposureUse.ENDED_EARLY)
    made = exposure(2, 28.0, ExposureUse.IMAGE, made=1)

    found = find_repeats([first, second], [early, made])

    assert [(len(one.words), one.kind) for one in found] == [
        (2000, RepeatKind.AFTER_EARLY_END),
        (2000, RepeatKind.RETAKEN_WITHIN_SECONDS),
    ]


def test_each_further_image_repeats_the_one_before_it() -> None:
    images = [image(1, 0.0, rejected="reason 111209"), image(2, 30.0), image(3, 300.0)]
    assert kinds(images) == ["rejected_then_retaken", "same_view_twice"]


def test_the_next_exposure_after_an_early_end_repeats_it() -> None:
    early = exposure(1, 0.0, ExposureUse.ENDED_EARLY)
    again = exposure(2, 70.0, ExposureUse.IMAGE, made=1)
    (repeat,) = find_repeats([image(1, 72.0)], [again, early])
    assert repeat.kind is RepeatKind.AFTER_EARLY_END
    assert repeat.first is None
    assert repeat.facts == ("exposure:1", "exposure:2", "image:1")


def test_no_repeat_is_made_of_another_preset_a_late_one_or_one_not_next() -> None:
    early = exposure(1, 0.0, ExposureUse.ENDED_EARLY)
    shown = [image(1, 72.0)]
    other = exposure(2, 70.0, ExposureUse.IMAGE, made=1, preset="side")
    late = exposure(2, 301.0, ExposureUse.IMAGE, made=1)
    between = exposure(3, 40.0, ExposureUse.NO_IMAGE)
    soon = exposure(2, 70.0, ExposureUse.IMAGE, made=1)
    assert kinds(shown, [early, other]) == []
    assert kinds(shown, [early, late]) == []
    assert kinds(shown, [early, between, soon]) == []


@given(data=st.data())
def test_the_order_in_which_images_come_is_no_matter(data: st.DataObject) -> None:
    images = [
        image(
            n, 40.0 * n, data.draw(st.sampled_from(["a", "b"])), data.draw(st.none() | st.just("r"))
        )
        for n in range(6)
    ]
    expected = find_repeats(images, [])
    assert find_repeats(data.draw(st.permutations(images)), []) == expected
    assert len(expected) == len(images) - len({shown.view for shown in images})
