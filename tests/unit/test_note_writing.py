"""Figures as a site writes them. Expected forms are those of the Unicode CLDR, by babel."""

from datetime import UTC, date, datetime

import pytest
from pydantic import ValidationError

from schemas.facts import KG_PER_LB, Weight, WeightUnit
from schemas.group import Site
from services.notes.draft import draft
from services.notes.writing import Writing
from tests.assessed import GROUP, assessed, exposure, image, patient

SITE = GROUP.site("north")


def _writing(locale: str | None, unit: WeightUnit | None = None) -> Writing:
    return Writing.of(SITE.model_copy(update={"locale": locale, "weight_unit": unit}))


@pytest.mark.parametrize(
    ("locale", "day", "clock", "number", "share", "language"),
    [
        (None, "2026-03-02", "10:20:00", "1230.5", "50%", "en"),
        ("en_GB", "2 Mar 2026", "10:20:00", "1230.5", "50%", "en-GB"),
        ("en_US", "Mar 2, 2026", "10:20:00 AM", "1230.5", "50%", "en-US"),
        ("de_AT", "02.03.2026", "10:20:00", "1230,5", "50 %", "en"),
        ("sv_SE", "2 mars 2026", "10:20:00", "1230,5", "50 %", "en"),
    ],
)
def test_days_times_and_numbers_follow_the_locale(
    locale: str | None, day: str, clock: str, number: str, share: str, language: str
) -> None:
    writing = _writing(locale)
    moment = datetime(2026, 3, 2, 9, 20, tzinfo=UTC)

    assert writing.day(date(2026, 3, 2)) == day
    assert writing.clock(moment) == clock
    assert writing.exact(1230.5) == number
    assert writing.share(0.5) == share
    assert writing.language == language
    assert writing.moment(moment).startswith(day)
    assert writing.moment(moment).endswith("CET")


@pytest.mark.parametrize(
    ("value", "digits", "written"),
    [(3.2, 3, "3.2"), (0.123456, 3, "0.123"), (1234.5, 3, "1230"), (0.0, 3, "0"), (9.996, 2, "10")],
)
def test_a_number_is_rounded_to_its_digits_and_never_has_an_exponent(
    value: float, digits: int, written: str
) -> None:
    assert _writing(None).number(value, digits) == written
    assert _writing("de_DE").number(value, digits) == written.replace(".", ",")


def test_an_exact_figure_keeps_every_digit_that_was_told() -> None:
    assert _writing(None).exact(0.1234567890123456) == "0.1234567890123456"
    assert _writing("de_DE").exact(0.1234567890123456) == "0,1234567890123456"


@pytest.mark.parametrize(
    ("told", "unit", "written"),
    [
        (Weight(value=11.4, unit=WeightUnit.KG), None, "11.4 kg"),
        (Weight(value=11.4, unit=WeightUnit.KG), WeightUnit.KG, "11.4 kg"),
        (Weight(value=11.4, unit=WeightUnit.KG), WeightUnit.LB, "25.1 lb (11.4 kg as told)"),
        (Weight(value=30.0, unit=WeightUnit.LB), WeightUnit.KG, "13.6 kg (30 lb as told)"),
    ],
)
def test_a_weight_keeps_the_unit_it_was_told_in_beside_the_sites(
    told: Weight, unit: WeightUnit | None, written: str
) -> None:
    # 1 lb is 0.45359237 kg (NIST SP 811, appendix B.8; from memory).
    assert KG_PER_LB == 0.45359237
    assert _writing(None, unit).weight(told) == written


@pytest.mark.parametrize(
    ("words", "written"),
    [
        ("4.8 of 120 mGy.", "4,8 of 120 mGy."),
        ("65.5 kV, 1.25 mAs, 3.2 % more", "65,5 kV, 1,25 mAs, 3,2 % more"),
        ("Image 2.25.1001 by section 5.7 of it", "Image 2.25.1001 by section 5.7 of it"),
        ("NIST 1.2 offers", "NIST 1.2 offers"),
    ],
)
def test_only_figures_with_a_unit_change_their_decimal_sign(words: str, written: str) -> None:
    assert _writing("de_AT").sentence(words) == written
    assert _writing("en_GB").sentence(words) == words


def test_a_draft_is_written_as_the_site_writes_and_neutrally_where_asked() -> None:
    weighed = patient().model_copy(update={"weight": Weight(value=30.0, unit=WeightUnit.LB)})
    study = assessed(images=[image(1)], exposures=(exposure(1),), patient=weighed)
    site = SITE.model_copy(update={"locale": "de_AT", "weight_unit": WeightUnit.KG})

    own = " ".join(one.text for one in draft(study, site))
    neutral = draft(study, site, Writing.neutral(site))

    assert "13,6 kg (30 lb as told)" in own
    assert "3,2 mGy" in own
    assert "02.03.2026" in own
    assert neutral == draft(study, SITE)


@pytest.mark.parametrize("locale", ["xx_YY", "de-AT", "", "../x", "english"])
def test_a_locale_that_nobody_knows_is_refused(locale: str) -> None:
    with pytest.raises(ValidationError):
        Site.model_validate(Site.EXAMPLES[0] | {"locale": locale})
