"""Each thing that a tariff may say: bands, hours, caps, discount, minimum, tax, consumables."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from schemas.conclusions import ChargeLine, ImageUse
from schemas.facts import Weight, WeightUnit
from schemas.plans import Technique
from schemas.tariffs import Rounding, Tariff, rounded
from services.charges.pricing import Priced, price
from tests.assessed import assessed, image, patient
from tests.tariffs import articles, tariff, tax

VIENNA = ZoneInfo("Europe/Vienna")
HOURS = {"week": {"monday": [{"opens": "08:00", "closes": "18:00"}]}, "closed_on": ["2026-03-09"]}
IMAGES = [image(1), image(2), image(3)]


def _codes(priced: Priced) -> list[str]:
    return [line.code for line in priced.lines]


def _amounts(priced: Priced) -> list[str]:
    return [str(line.amount) for line in priced.lines]


def _of(terms: Tariff, images: list[Any] | None = None, **values: Any) -> Priced:
    return price(assessed(images=images or IMAGES, **values), terms, VIENNA)


@pytest.mark.parametrize(
    ("kg", "codes"),
    [
        (9.9, ["FIRST"]),
        (10.0, ["OTHER-FIRST"]),
        (29.9, ["OTHER-FIRST"]),
        (30.0, ["FIRST"]),
        (None, ["FIRST"]),
    ],
)
def test_a_weight_band_has_its_lower_bound_in_it_and_its_upper_not(
    kg: float | None, codes: list[str]
) -> None:
    terms = tariff(
        views=[
            {
                "name": "band",
                "when": {"weight_from_kg": 10.0, "weight_below_kg": 30.0},
                "first": "OTHER-FIRST",
                "further": "OTHER-NEXT",
            },
            {"name": "all", "first": "FIRST", "further": "NEXT"},
        ]
    )
    weight = Weight(value=kg, unit=WeightUnit.KG) if kg is not None else None
    animal = patient().model_copy(update={"weight": weight})

    assert _codes(_of(terms, [image(1)], patient=animal)) == codes


def test_a_view_is_priced_by_the_technique_of_its_plan_and_the_first_view_is_the_studys() -> None:
    terms = tariff(
        views=[
            {
                "name": "extra-oral",
                "when": {"techniques": ["extraoral_near_parallel"]},
                "first": "OTHER-FIRST",
                "further": "OTHER-NEXT",
            },
            {"name": "all", "first": "FIRST", "further": "NEXT"},
        ]
    )
    outside = image(2).model_copy(update={"technique": Technique.EXTRAORAL_NEAR_PARALLEL})

    assert _codes(_of(terms, [image(1), outside, image(3)])) == ["FIRST", "OTHER-NEXT", "NEXT"]


def test_a_view_that_no_rule_holds_for_is_not_charged_and_says_what_is_not_known() -> None:
    terms = tariff(
        views=[
            {
                "name": "heavy",
                "when": {"weight_from_kg": 10.0},
                "first": "FIRST",
                "further": "NEXT",
            }
        ]
    )

    priced = _of(terms, [image(1)])

    assert priced.lines == ()
    (left_out,) = priced.not_charged
    assert "weight is not known" in left_out.reason


@pytest.mark.parametrize(
    ("moment", "late"),
    [
        ("2026-03-02T06:59:59+00:00", True),  # 07:59 in Vienna, a Monday
        ("2026-03-02T07:00:00+00:00", False),
        ("2026-03-02T16:59:59+00:00", False),
        ("2026-03-02T17:00:00+00:00", True),
        ("2026-06-01T16:30:00+00:00", True),  # 18:30 by summer time
        ("2026-06-01T06:30:00+00:00", False),
        ("2026-03-03T10:00:00+00:00", True),  # a Tuesday, which is not listed
        ("2026-03-09T10:00:00+00:00", True),  # closed on this Monday
    ],
)
def test_opening_hours_are_the_sites_own_local_time(moment: str, late: bool) -> None:
    terms = tariff(opening_hours=HOURS, after_hours={"article": "LATE"})
    at = datetime.fromisoformat(moment)
    first = image(1).model_copy(update={"acquired_at": at.astimezone(UTC)})

    priced = _of(terms, [first], day=at.date())

    assert _codes(priced) == (["FIRST", "LATE"] if late else ["FIRST"])
    assert all(line.images == ("2.25.2001",) for line in priced.lines)


def test_a_study_that_ran_into_the_evening_costs_no_supplement() -> None:
    terms = tariff(opening_hours=HOURS, after_hours={"article": "LATE"})
    evening = image(2, after_s=12 * 3600.0)

    assert _codes(_of(terms, [image(1), evening])) == ["FIRST", "NEXT"]


def test_a_rule_may_hold_after_hours_only() -> None:
    late = {
        "name": "late",
        "when": {"after_hours": True},
        "first": "OTHER-FIRST",
        "further": "OTHER-NEXT",
    }
    terms = tariff(
        opening_hours=HOURS,
        views=[late, {"name": "all", "first": "FIRST", "further": "NEXT"}],
    )

    assert _codes(_of(terms, [image(1), image(2, after_s=12 * 3600.0)])) == ["FIRST", "OTHER-NEXT"]


def test_a_code_is_charged_so_often_at_most_and_says_so() -> None:
    priced = _of(tariff(caps={"by_code": {"NEXT": {"quantity": 1}}}))

    assert _codes(priced) == ["FIRST", "NEXT"]
    assert [(one.about, one.reason) for one in priced.not_charged] == [
        ("2.25.2003", "a study costs 1 of NEXT at most")
    ]


def test_a_code_costs_so_much_at_most() -> None:
    priced = _of(tariff(caps={"by_code": {"NEXT": {"amount": "20.00"}}}))

    assert _amounts(priced) == ["40.00", "15.00", "5.00"]
    assert "20.00 EUR of NEXT at most" in priced.lines[-1].reason


def test_a_study_costs_so_much_at_most_and_the_rest_says_why_not() -> None:
    priced = _of(tariff(caps={"study_amount": "55.00"}))

    assert _amounts(priced) == ["40.00", "15.00"]
    assert priced.total == Decimal("55.00")
    assert [one.about for one in priced.not_charged] == ["2.25.2003"]


def test_a_referral_is_discounted_line_by_line_and_consumables_are_not() -> None:
    terms = tariff(
        referral={"discount_percent": "12.5"},
        consumables=[{"article": "COVER", "where_not_told": "charge"}],
        articles=articles(FIRST="40.10"),
    )

    priced = _of(terms, referral=True)

    # 40.10 less 12.5 % is 35.0875; 15.00 is 13.125, of which half a cent goes up.
    assert _amounts(priced) == ["35.09", "13.13", "13.13", "1.20"]
    assert _amounts(_of(terms)) == ["40.10", "15.00", "15.00", "1.20"]


def test_half_a_cent_goes_to_the_even_one_where_the_tariff_says_so() -> None:
    terms = tariff(referral={"discount_percent": "12.5"}, rounding="half_even")

    assert _amounts(_of(terms, referral=True)) == ["35.00", "13.12", "13.12"]


@pytest.mark.parametrize(
    ("amount", "half_up", "half_even"),
    # Regulation (EC) 1103/97, article 5: exactly half way is rounded up. IEEE 754-2008, 4.3.1:
    # of two nearest values, the one with an even least digit.
    [("1.004", "1.00", "1.00"), ("1.005", "1.01", "1.00"), ("1.015", "1.02", "1.02")],
)
def test_amounts_are_rounded_by_the_published_rule(
    amount: str, half_up: str, half_even: str
) -> None:
    value = Decimal(amount)

    assert str(rounded(value, "EUR", Rounding.HALF_UP)) == half_up
    assert str(rounded(value, "EUR", Rounding.HALF_EVEN)) == half_even


def test_a_currency_without_a_minor_unit_is_rounded_to_whole_units() -> None:
    terms = tariff(
        currency="JPY",
        articles=articles(**dict.fromkeys(articles(), "45")),
        referral={"discount_percent": "10"},
    )

    priced = _of(terms, [image(1)], referral=True)

    assert _amounts(priced) == ["41"]  # 40.5 goes up
    assert str(priced.total) == "41"


def test_a_study_is_made_up_to_the_least_charge_with_all_that_it_rests_on() -> None:
    terms = tariff(minimum_charge={"article": "MINIMUM", "amount": "60.00"})

    priced = _of(terms, [image(1), image(2)])

    assert list(zip(_codes(priced), _amounts(priced), strict=True))[-1] == ("MINIMUM", "5.00")
    assert priced.lines[-1].images == ("2.25.2001", "2.25.2002")
    assert _codes(_of(terms)) == ["FIRST", "NEXT", "NEXT"]


def test_there_is_no_least_charge_where_nothing_is_charged() -> None:
    terms = tariff(minimum_charge={"article": "MINIMUM", "amount": "60.00"})

    assert _of(terms, [image(1, ImageUse.REJECTED)]).lines == ()


@pytest.mark.parametrize(
    ("per", "included", "taxes", "to_pay"),
    [
        # Three lines of 0.33 at 5 %: 0.0165 each is 0.02, three times 0.06; of 0.99 it is 0.05.
        # HMRC, VATREC12030: half a penny and more is rounded up, less is rounded down.
        ("line", False, "0.06", "1.05"),
        ("total", False, "0.05", "1.04"),
        # Of 0.33 with tax in it, 0.33 x 5/105 = 0.0157 is 0.02; of 0.99 it is 0.0471.
        ("line", True, "0.06", "0.99"),
        ("total", True, "0.05", "0.99"),
    ],
)
def test_tax_is_rounded_in_the_line_or_in_the_total(
    per: str,
    included: bool,
    taxes: str,
    to_pay: str,
) -> None:
    terms = tariff(
        articles=articles("standard", FIRST="0.33", NEXT="0.33"),
        tax=tax("5", included=included, per=per),
    )

    priced = _of(terms)

    (one,) = priced.taxes
    assert (str(one.tax_amount), str(priced.total_with_tax)) == (taxes, to_pay)
    assert one.net_amount + one.tax_amount == priced.total_with_tax
    assert priced.total == Decimal("0.99")
    in_lines = [line.tax_amount for line in priced.lines]
    assert in_lines == ([Decimal("0.02")] * 3 if per == "line" else [None] * 3)


@pytest.mark.parametrize("per", ["line", "total"])
@pytest.mark.parametrize(
    ("included", "net", "of_it"),
    # Of 12.00 with 20 % in it, a sixth is tax; on top of 12.00 it is a fifth of that.
    [(True, "10.00", "2.00"), (False, "12.00", "2.40")],
)
def test_tax_lies_in_the_price_or_comes_on_top(
    per: str, included: bool, net: str, of_it: str
) -> None:
    terms = tariff(
        articles=articles("standard", FIRST="12.00"), tax=tax("20", included=included, per=per)
    )

    (one,) = _of(terms, [image(1)]).taxes

    assert (str(one.net_amount), str(one.tax_amount)) == (net, of_it)


def test_each_rate_has_a_sum_of_its_own() -> None:
    own = articles("standard")
    own["COVER"]["tax"] = "reduced"
    rates = tax() | {"rates_percent": {"standard": "20", "reduced": "7.5"}}
    terms = tariff(
        articles=own,
        tax=rates,
        consumables=[{"article": "COVER", "where_not_told": "charge"}],
    )

    priced = _of(terms, [image(1)])

    assert [(str(one.tax_percent), str(one.tax_amount)) for one in priced.taxes] == [
        ("7.5", "0.09"),
        ("20", "8.00"),
    ]
    assert priced.total_with_tax == Decimal("49.29")


FACT = "readiness:2.25.1001:2026-03-02T09:05:00+00:00"


@pytest.mark.parametrize(
    ("where_not_told", "told", "rests_on"),
    [
        ("charge", None, (("2.25.2001",), ())),
        ("charge", True, ((), (FACT,))),
        ("charge", False, None),
        ("leave", None, None),
        ("leave", True, ((), (FACT,))),
    ],
)
def test_a_cover_rests_on_the_readiness_check_that_tells_of_it(
    where_not_told: str,
    told: bool | None,
    rests_on: tuple[tuple[str, ...], tuple[str, ...]] | None,
) -> None:
    terms = tariff(consumables=[{"article": "COVER", "where_not_told": where_not_told}])
    fact = None if told is None else FACT

    priced = _of(terms, new_sensor_cover=told, readiness_fact=fact)

    covers = [(line.images, line.facts) for line in priced.lines if line.code == "COVER"]
    assert covers == ([] if rests_on is None else [rests_on])
    if rests_on is None:
        assert "new cover" in next(x.reason for x in priced.not_charged if x.about == "COVER")


def test_a_line_that_rests_on_nothing_cannot_be_made() -> None:
    with pytest.raises(ValidationError, match="an image or a fact"):
        ChargeLine(
            code="FIRST",
            description="x",
            quantity=1,
            unit_amount=Decimal("1.00"),
            amount=Decimal("1.00"),
            reason="x",
        )


def test_what_is_different_at_a_site_counts_there_only() -> None:
    terms = tariff(
        caps={"study_amount": "100.00"},
        sites={"north": {"unit_amounts": {"FIRST": "43.00"}, "caps": {"study_amount": "50.00"}}},
    )

    assert _amounts(_of(terms.at("north"))) == ["43.00", "7.00"]
    assert _amounts(_of(terms.at("south"))) == ["40.00", "15.00", "15.00"]
    assert terms.at("north").sites == terms.at("south").sites == {}


def test_a_study_after_the_last_day_of_a_tariff_is_not_charged() -> None:
    priced = _of(tariff(valid_to="2026-03-01"))

    assert priced.lines == ()
    assert "valid to 2026-03-01" in priced.not_charged[0].reason
