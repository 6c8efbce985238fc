"""Hints from exposure indices and pixels: what they say, and how often they are right."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo.synthetic_image import STORED_BITS, render_view
from schemas.facts.image import ImageStored, PixelStatistics
from schemas.quality import load_deviation_bands
from services.assessment.quality import QualityImage, quality_hints, suspect, whiteness
from services.intake.pixel_statistics import pixel_statistics
from tests.room_facts import image as image_fact

BANDS = load_deviation_bands()


def hints(**changes: Any) -> list[tuple[str, float | None]]:
    payload = image_fact(1, 3.0, **changes).payload
    assert isinstance(payload, ImageStored)
    found = quality_hints([QualityImage("image:1", payload)], BANDS)
    return [(hint.code, hint.deviation_index) for hint in found]


def test_an_image_that_tells_nothing_gets_no_hint() -> None:
    assert hints() == []


def test_an_image_on_target_gets_no_hint() -> None:
    assert hints(exposure_index=400.0, target_exposure_index=400.0, deviation_index=0.0) == []


def test_the_index_is_reckoned_where_the_image_does_not_state_it() -> None:
    ((code, index),) = hints(exposure_index=200.0, target_exposure_index=400.0)
    assert code == "deviation-far-under"
    assert index == pytest.approx(-3.0103, abs=1e-4)


def test_a_stated_index_that_its_own_two_indices_contradict_is_told() -> None:
    found = hints(exposure_index=400.0, target_exposure_index=400.0, deviation_index=2.0)
    assert [code for code, _ in found] == ["deviation-index-differs", "deviation-over"]


@pytest.mark.parametrize(
    ("exposure_index", "target"), [(0.0, 400.0), (-5.0, 400.0), (400.0, 0.0), (400.0, None)]
)
def test_an_index_that_cannot_be_one_is_left_alone(
    exposure_index: float, target: float | None
) -> None:
    assert hints(exposure_index=exposure_index, target_exposure_index=target) == []


@given(st.floats(-40.0, 40.0))
def test_every_index_falls_into_exactly_one_band(index: float) -> None:
    assert sum(band.holds(index) for band in BANDS.bands) == 1


def test_a_hint_says_that_it_is_adapted_and_where_from() -> None:
    payload = image_fact(1, 3.0, deviation_index=3.5).payload
    assert isinstance(payload, ImageStored)
    (hint,) = quality_hints([QualityImage("image:1", payload)], BANDS)
    assert "Adapted from AAPM Report of Task Group 116" in hint.words
    assert "from memory" in hint.words
    assert hint.facts == ("image:1",)


def statistics(
    seed: int, *, inverted: bool = False, exposure: float = 1.0, cut_off: float = 0.0
) -> PixelStatistics:
    pixels = render_view(
        "dog",
        (309, 310, 311),
        receptor_size=2,
        pixel_pitch_mm=0.25,
        seed=seed,
        exposure=exposure,
        cut_off=cut_off,
    )
    if inverted:
        pixels = (2**STORED_BITS - 1) - pixels
    return pixel_statistics(pixels, bits_stored=STORED_BITS, inverted=inverted)


def code_of(pixels: PixelStatistics) -> str | None:
    found = suspect(pixels)
    return found[0] if found is not None else None


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, None),
        ({"exposure": 6.0}, "suspected-overexposure"),
        ({"exposure": 0.15}, "suspected-underexposure"),
        ({"cut_off": 0.3}, "suspected-cut-off"),
    ],
)
def test_pixels_suggest_what_was_wrong_with_an_invented_image(
    seed: int, inverted: bool, changes: dict[str, float], expected: str | None
) -> None:
    assert code_of(statistics(seed, inverted=inverted, **changes)) == expected


def test_signed_pixels_read_as_unsigned_ones_do() -> None:
    unsigned = statistics(1)
    lowest = 2 ** (STORED_BITS - 1)
    signed = unsigned.model_copy(
        update={
            "minimum": unsigned.minimum - lowest,
            "maximum": unsigned.maximum - lowest,
            "median": unsigned.median - lowest,
        }
    )
    assert signed.minimum < 0
    assert whiteness(signed) == pytest.approx(whiteness(unsigned))


@pytest.mark.parametrize(("inverted", "white"), [(False, 1.0), (True, 0.0)])
def test_the_largest_value_that_a_pixel_can_have_is_quite_white(
    inverted: bool, white: float
) -> None:
    largest = statistics(1, inverted=inverted).model_copy(update={"median": 2**STORED_BITS - 1})

    assert whiteness(largest) == white
    assert whiteness(largest.model_copy(update={"median": 0})) == 1.0 - white


def test_a_pixel_hint_says_that_it_is_only_one() -> None:
    payload = image_fact(1, 3.0, pixels=statistics(1, exposure=6.0)).payload
    assert isinstance(payload, ImageStored)
    (hint,) = quality_hints([QualityImage("image:1", payload)], BANDS)
    assert "Only a hint" in hint.words
    assert hint.deviation_index is None
