"""Bundles: what is charged is the lowest total for the client, against brute force."""

from datetime import UTC
from decimal import ROUND_HALF_UP, Decimal
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import StudyAssessed, ViewStatus
from schemas.tariffs import Tariff
from services.charges.pricing import Priced, price
from tests.assessed import assessed, image, view
from tests.tariffs import articles, tariff, tax

CENT = Decimal("0.01")
VIEWS = ("max-a", "max-b", "max-c", "mand-a", "mand-b", "mand-c")


def _study(done: list[str], planned: tuple[str, ...] = VIEWS, **values: Any) -> StudyAssessed:
    views = tuple(
        view(0, ViewStatus.DONE if code in done else ViewStatus.MISSING).model_copy(
            update={"view": code}
        )
        for code in planned
    )
    images = [image(place, view=code) for place, code in enumerate(done, start=1)]
    return assessed(images=images, views=views, **values)


def _bundle(name: str, article: str, *covers: str, **values: Any) -> dict[str, Any]:
    return {"name": name, "article": article, "covers": list(covers)} | values


def _codes(priced: Priced) -> list[str]:
    return [line.code for line in priced.lines]


SERIES = _bundle("series", "SERIES", at_least_percent=80)


def test_a_series_takes_the_place_of_its_views_and_rests_on_all_of_them() -> None:
    priced = price(_study(list(VIEWS)), tariff(bundles=[SERIES]), UTC)

    (line,) = priced.lines
    assert (line.code, line.rule) == ("SERIES", "series")
    assert line.images == tuple(f"2.25.200{place}" for place in range(1, 7))
    assert priced.not_charged == ()


def test_a_series_wants_its_share_of_the_plan_and_says_what_it_lacks() -> None:
    terms = tariff(bundles=[SERIES])

    enough, too_few = (
        price(_study(list(VIEWS[:5])), terms, UTC),
        price(_study(list(VIEWS[:4])), terms, UTC),
    )

    assert _codes(enough) == ["SERIES"]  # 5 of 6 is 83 %
    assert _codes(too_few) == ["FIRST", "NEXT", "NEXT", "NEXT"]
    (told,) = too_few.not_charged
    assert (told.about, told.reason) == (
        "bundle series",
        "4 of 6 planned views done; it wants 1 at least, and 80 %",
    )


@pytest.mark.parametrize(("percent", "code"), [(83, "SERIES"), (84, "FIRST")])
def test_a_share_is_compared_without_rounding(percent: int, code: str) -> None:
    terms = tariff(bundles=[_bundle("series", "SERIES", at_least_percent=percent)])

    # 5 of 6 is 83.33 %
    assert _codes(price(_study(list(VIEWS[:5])), terms, UTC))[0] == code


def test_a_series_may_want_a_number_of_views() -> None:
    terms = tariff(bundles=[_bundle("s", "SERIES", at_least_views=6, at_least_percent=1)])

    assert _codes(price(_study(list(VIEWS[:5])), terms, UTC))[0] == "FIRST"
    assert _codes(price(_study(list(VIEWS)), terms, UTC)) == ["SERIES"]


def test_single_views_that_cost_less_are_charged_singly() -> None:
    terms = tariff(bundles=[_bundle("s", "SERIES")], articles=articles(SERIES="200.00"))

    priced = price(_study(list(VIEWS)), terms, UTC)

    assert "SERIES" not in _codes(priced)
    assert priced.not_charged[-1].about == "bundle s"


def test_views_beside_a_bundle_are_further_ones() -> None:
    terms = tariff(bundles=[_bundle("upper", "UPPER", "max-*")])

    assert _codes(price(_study([*VIEWS[:4]]), terms, UTC)) == ["UPPER", "NEXT"]


def test_in_file_order_the_first_that_fits_is_charged_though_another_costs_less() -> None:
    bundles = [_bundle("upper", "UPPER", "max-*"), _bundle("series", "SERIES")]
    priced = {
        choice: _codes(
            price(_study(list(VIEWS)), tariff(bundles=bundles, bundle_choice=choice), UTC)
        )
        for choice in ("lowest_total", "file_order")
    }

    assert priced == {"lowest_total": ["SERIES"], "file_order": ["UPPER", "SERIES"]}


# Brute force ---------------------------------------------------------------------------------


def _brute_total(study: StudyAssessed, terms: Tariff, *, all_ways: bool) -> Decimal:
    """Try every way to charge each view, singly or by a bundle, with sums of our own here.

    ``all_ways``: also those that charge a view singly beside a bundle that would cover it.
    """
    done = [one.view or "" for one in study.images]
    usable = [one for one in terms.bundles if _usable(one, study)]
    best: Decimal | None = None
    for way in product(range(-1, len(usable)), repeat=len(done)):
        used = sorted({place for place in way if place >= 0})
        legal = all(
            place < 0 or _covers(usable[place], code) for place, code in zip(way, done, strict=True)
        )
        maximal = all(
            place >= 0 or not any(_covers(usable[one], code) for one in used)
            for place, code in zip(way, done, strict=True)
        )
        if legal and (all_ways or maximal):
            total = _sum(terms, [usable[place].article for place in used], way.count(-1))
            best = total if best is None else min(best, total)
    assert best is not None
    return best


def _usable(bundle: Any, study: StudyAssessed) -> bool:
    planned = [one for one in study.views if _covers(bundle, one.view)]
    done = sum(one.status is ViewStatus.DONE for one in planned)
    share = bool(planned) and Decimal(done) / len(planned) >= Decimal(bundle.at_least_percent) / 100
    return done >= bundle.at_least_views and share


def _covers(bundle: Any, code: str) -> bool:
    return any(code.startswith(pattern.rstrip("*")) for pattern in bundle.covers or ("*",))


def _sum(terms: Tariff, bundles: list[str], singles: int) -> Decimal:
    """Add up by hand: bundles, then views, a cap of the further code, a cap, a minimum, tax."""
    prices = {code: article.unit_amount for code, article in terms.articles.items()}
    amounts = [prices[code] for code in bundles]
    further = singles
    if singles and not bundles:
        amounts.append(prices["FIRST"])
        further -= 1
    cap = terms.caps.by_code.get("NEXT")
    if cap is not None and cap.quantity is not None:
        further = min(further, cap.quantity)
    amounts += [prices["NEXT"]] * further
    if terms.caps.study_amount is not None:
        left = terms.caps.study_amount
        for place, amount in enumerate(amounts):
            amounts[place] = min(amount, left)
            left -= amounts[place]
    if terms.minimum_charge is not None and amounts:
        amounts.append(max(terms.minimum_charge.amount - sum(amounts), Decimal(0)))
    if terms.tax is None:
        return sum(amounts, Decimal(0))
    rate = terms.tax.rates_percent["standard"] / 100
    if terms.tax.rounded_per.value == "total":
        total = sum(amounts, Decimal(0))
        return total + (total * rate).quantize(CENT, ROUND_HALF_UP)
    return sum((x + (x * rate).quantize(CENT, ROUND_HALF_UP) for x in amounts), Decimal(0))


MONEY = st.integers(1, 9000).map(lambda cents: str(Decimal(cents) / 100))
COVERS = st.sampled_from([(), ("max-*",), ("mand-*",), ("max-a", "mand-a"), ("max-b", "mand-*")])


@st.composite
def _tariffs(draw: st.DrawFn, *, capped: bool) -> Tariff:
    names = ["SERIES", "UPPER", "LOWER", "LATE"]
    bundles = [
        _bundle(
            f"b{place}",
            names[place],
            *draw(COVERS),
            at_least_views=draw(st.integers(1, 3)),
            at_least_percent=draw(st.sampled_from([1, 50, 67, 100])),
        )
        for place in range(draw(st.integers(0, 4)))
    ]
    rate = draw(st.sampled_from([None, "line", "total"]))
    prices = {code: draw(MONEY) for code in ("FIRST", "NEXT", *names)}
    values: dict[str, Any] = {
        "bundles": bundles,
        "articles": articles("standard" if rate else None, **prices),
        "caps": {"by_code": {"NEXT": {"quantity": draw(st.integers(1, 4))}}},
    }
    if rate is not None:
        values["tax"] = tax("7.5", per=rate)
    if capped:
        values["caps"]["study_amount"] = draw(MONEY)
        values["minimum_charge"] = {"article": "MINIMUM", "amount": draw(MONEY)}
    return tariff(**values)


DONE = st.lists(st.sampled_from(VIEWS), min_size=1, max_size=4, unique=True)


@settings(max_examples=40, deadline=None)
@given(_tariffs(capped=False), DONE)
def test_no_way_to_charge_the_views_costs_the_client_less(terms: Tariff, done: list[str]) -> None:
    study = _study(done)

    assert price(study, terms, UTC).total_with_tax == _brute_total(study, terms, all_ways=True)


@settings(max_examples=40, deadline=None)
@given(_tariffs(capped=True), DONE)
def test_with_caps_and_a_minimum_no_choice_of_bundles_costs_less(
    terms: Tariff, done: list[str]
) -> None:
    study = _study(done)

    assert price(study, terms, UTC).total_with_tax == _brute_total(study, terms, all_ways=False)


@settings(max_examples=40, deadline=None)
@given(_tariffs(capped=True), DONE, st.booleans())
def test_every_view_is_charged_once_or_says_why_not_and_no_line_rests_on_nothing(
    terms: Tariff,
    done: list[str],
    referral: bool,
) -> None:
    priced = price(_study(done, referral=referral), terms, UTC)

    own = [line for line in priced.lines if line.code != "MINIMUM"]
    charged = [uid for line in own for uid in line.images]
    assert len(charged) == len(set(charged))
    left_out = {one.about for one in priced.not_charged if not one.about.startswith("bundle")}
    assert set(charged) | left_out == {f"2.25.200{n}" for n in range(1, len(done) + 1)}
    assert set(charged).isdisjoint(left_out)
    assert all(line.images or line.facts for line in priced.lines)
    assert all(line.amount > 0 for line in priced.lines)
    assert priced.total == sum(line.amount for line in priced.lines)
