"""Pricing: what is charged, what is not, and why."""

from datetime import UTC, date
from decimal import Decimal
from itertools import permutations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.conclusions import ExposureUse, ImageUse, StudyAssessed, StudyState
from schemas.tariffs import Tariff, load_tariffs
from schemas.teeth import Species
from services.charges.pricing import Priced
from services.charges.pricing import price as price_by
from tests.assessed import assessed, exposure, image, patient

TARIFF = load_tariffs().on("invented-2026", date(2026, 3, 2))
UNCHARGED = [ImageUse.REPEAT, ImageUse.REJECTED, ImageUse.EXTRA, ImageUse.UNASSIGNED]


def price(study: StudyAssessed, tariff: Tariff) -> Priced:
    return price_by(study, tariff, UTC)


def test_first_view_further_views_and_one_cover_are_charged_in_order_of_acquisition() -> None:
    study = assessed(images=[image(2), image(1), image(3)])

    priced = price(study, TARIFF)

    assert [(line.code, line.amount, line.images) for line in priced.lines] == [
        ("INV-DOG-FIRST", Decimal("38.00"), ("2.25.2001",)),
        ("INV-DOG-NEXT", Decimal("14.50"), ("2.25.2002",)),
        ("INV-DOG-NEXT", Decimal("14.50"), ("2.25.2003",)),
        ("INV-COVER", Decimal("1.20"), ("2.25.2001",)),
    ]
    assert priced.total == Decimal("68.20")
    assert priced.not_charged == ()


def test_a_line_says_which_view_it_is_for_where_that_is_known() -> None:
    study = assessed(images=[image(1, view="max-a"), image(2).model_copy(update={"view": None})])

    first, further, _cover = price(study, TARIFF).lines

    assert (first.reason, further.reason) == (
        "first diagnostic view (max-a)",
        "further diagnostic view",
    )


def test_a_cat_is_charged_by_the_prices_for_cats() -> None:
    study = assessed(images=[image(1)], patient=patient(species=Species.CAT))

    assert [line.code for line in price(study, TARIFF).lines] == ["INV-CAT-FIRST", "INV-COVER"]


@pytest.mark.parametrize("use", UNCHARGED)
def test_an_image_that_is_no_diagnostic_view_is_not_charged_and_says_why(use: ImageUse) -> None:
    study = assessed(images=[image(1), image(2, use)])

    priced = price(study, TARIFF)

    assert all(line.images == ("2.25.2001",) for line in priced.lines)
    (left_out,) = priced.not_charged
    assert left_out.about == "2.25.2002"
    assert left_out.reason


def test_without_a_diagnostic_view_not_even_the_cover_is_charged() -> None:
    study = assessed(images=[image(1, ImageUse.REJECTED)])

    priced = price(study, TARIFF)

    assert priced.lines == ()
    assert priced.total == 0
    assert [one.about for one in priced.not_charged] == ["2.25.2001", "INV-COVER"]


def test_exposures_without_a_charged_image_are_listed_with_their_reason() -> None:
    study = assessed(
        images=[image(1)],
        exposures=(
            exposure(1, sop_instance_uid="2.25.2001"),
            exposure(3, ExposureUse.NO_IMAGE),
            exposure(2, ExposureUse.ENDED_EARLY, exposure_ms=20.0),
        ),
    )

    left_out = price(study, TARIFF).not_charged

    assert [(one.about, one.reason) for one in left_out] == [
        ("exposure:INVENTED-0001:2", "exposure ended early"),
        ("exposure:INVENTED-0001:3", "exposure without an image"),
    ]


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({"training": True}, "training"),
        ({"state": StudyState.CANCELLED}, "cancelled"),
        ({"patient": None}, "patient not known"),
        ({"day": date(2025, 12, 31)}, "valid from 2026-01-01"),
    ],
)
def test_nothing_of_such_a_study_is_charged(values: dict[str, Any], reason: str) -> None:
    priced = price(assessed(images=[image(1), image(2)], **values), TARIFF)

    assert priced.lines == ()
    assert len(priced.not_charged) == 3
    assert all(reason in one.reason for one in priced.not_charged)


def test_a_species_without_prices_is_not_charged() -> None:
    dogs_only = TARIFF.model_copy(update={"views": TARIFF.views[:1]})
    study = assessed(images=[image(1)], patient=patient(species=Species.CAT))

    priced = price(study, dogs_only)

    assert priced.lines == ()
    assert "no price for this view of a cat" in priced.not_charged[0].reason


def test_an_image_told_twice_is_charged_once() -> None:
    assert price(assessed(images=[image(1), image(1)]), TARIFF).total == Decimal("39.20")


def test_the_order_in_which_images_are_told_changes_nothing() -> None:
    images = [image(1, after_s=0), image(2, after_s=0), image(3, ImageUse.REPEAT)]

    results = {repr(price(assessed(images=told), TARIFF)) for told in permutations(images)}

    assert len(results) == 1


@given(st.lists(st.sampled_from(list(ImageUse)), max_size=12))
def test_every_image_is_either_charged_or_says_why_not(uses: list[ImageUse]) -> None:
    images = [image(number, use) for number, use in enumerate(uses, start=1)]

    priced = price(assessed(images=images), TARIFF)

    views = {one.sop_instance_uid for one in images if one.use is ImageUse.VIEW}
    on_lines = {uid for line in priced.lines for uid in line.images}
    left_out = {one.about for one in priced.not_charged} - {"INV-COVER"}
    assert on_lines == views
    assert left_out == {one.sop_instance_uid for one in images} - views
    assert all(line.images for line in priced.lines)
    assert priced.total == sum(line.amount for line in priced.lines)
