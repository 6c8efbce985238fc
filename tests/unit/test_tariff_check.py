"""The check of a tariff: unreachable, crossing, gaps, wrong names, and changes of price."""

from datetime import UTC
from itertools import product
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.plans import Technique, load_plans
from schemas.tariffs import Tariff
from schemas.teeth import Species
from services.charges.dry_run import dry_run
from services.charges.pricing import price
from services.charges.rule_boxes import space_of
from services.charges.tariff_changes import changes
from services.charges.tariff_check import Finding, Kind, Weight, check_tariff
from tests.assessed import assessed, image
from tests.tariffs import articles, tariff

PLANS = load_plans()
ALL = {"name": "all", "first": "FIRST", "further": "NEXT"}


def _rule(name: str, **when: Any) -> dict[str, Any]:
    return {"name": name, "when": when, "first": "OTHER-FIRST", "further": "OTHER-NEXT"}


def _found(kind: Kind, terms: Tariff) -> list[Finding]:
    return [one for one in check_tariff(terms, PLANS) if one.kind is kind]


def test_a_rule_behind_a_general_one_is_never_reached() -> None:
    (found,) = _found(Kind.UNREACHABLE, tariff(views=[ALL, _rule("dog", species=["dog"])]))

    assert (found.weight, found.where) == (Weight.WRONG, "views.dog")


def test_a_rule_that_others_use_up_together_is_never_reached() -> None:
    views = [
        _rule("light", weight_below_kg=10.0),
        _rule("heavy", weight_from_kg=10.0),
        _rule("middle", weight_from_kg=5.0, weight_below_kg=15.0),
        ALL,
    ]

    assert [one.where for one in _found(Kind.UNREACHABLE, tariff(views=views))] == ["views.middle"]


def test_an_exception_before_what_is_general_is_nothing_odd() -> None:
    views = [_rule("cat", species=["cat"]), ALL]

    assert [
        one for one in check_tariff(tariff(views=views), PLANS) if one.kind != Kind.UNUSED
    ] == []


def test_rules_that_cross_are_told_with_what_both_hold_for() -> None:
    views = [
        _rule("cat", species=["cat"]),
        {**ALL, "name": "extra", "when": {"techniques": ["extraoral_near_parallel"]}},
        {**ALL, "when": {}},
    ]

    (found,) = _found(Kind.OVERLAP, tariff(views=views))

    assert found.where == "views.extra and cat"
    assert "species cat, technique extraoral_near_parallel" in found.words


def test_what_has_no_price_is_told() -> None:
    views = [
        _rule("dog", species=["dog"], weight_from_kg=10.0),
        _rule("cat", species=["cat"], plans=["cat-full-mouth"]),
    ]

    words = sorted(one.words for one in _found(Kind.GAP, tariff(views=views)))

    assert words == [
        "no price, so not charged: species cat, plan any other, or none",
        "no price, so not charged: species dog, weight 0 kg to below 10 kg or not known",
    ]


def test_plans_and_views_that_nobody_knows_are_named() -> None:
    terms = tariff(
        views=[_rule("x", plans=["dog-whole-mouth"], views=["mand-*", "tail-*"]), ALL],
        bundles=[{"name": "b", "article": "SERIES", "covers": ["nose"]}],
    )

    words = [one.words for one in _found(Kind.UNKNOWN_NAME, terms)]

    assert words == [
        "no plan is called dog-whole-mouth",
        "no view is called tail-*",
        "no view is called nose",
    ]


def test_a_bundle_that_no_plan_can_fill_is_never_charged() -> None:
    bundle = {"name": "b", "article": "SERIES", "covers": ["max-*"], "at_least_views": 30}

    (found,) = _found(Kind.UNREACHABLE, tariff(bundles=[bundle]))

    assert (found.weight, found.where) == (Weight.WRONG, "bundles.b")


def test_a_fault_of_one_bundle_hides_none_of_the_next() -> None:
    never = {"name": "b", "article": "SERIES", "covers": ["max-*"], "at_least_views": 30}
    dear = {"name": "c", "article": "SERIES", "when": {"plans": ["dog-full-mouth"]}}
    terms = tariff(bundles=[never, dear], articles=articles(SERIES="235.00"))

    found = [one.where for one in check_tariff(terms, PLANS) if one.where.startswith("bundles")]

    assert found == ["bundles.b", "bundles.c"]


def test_a_bundle_that_never_costs_less_is_told() -> None:
    bundle = {"name": "b", "article": "SERIES", "when": {"plans": ["dog-full-mouth"]}}
    dear = tariff(bundles=[bundle], articles=articles(SERIES="235.00"))
    cheaper = tariff(bundles=[bundle], articles=articles(SERIES="234.99"))

    # 14 views one by one: 40.00 and 13 times 15.00.
    (found,) = _found(Kind.NEVER_CHEAPER, dear)
    assert "235.00" in found.words
    assert _found(Kind.NEVER_CHEAPER, cheaper) == []


def test_an_article_that_nothing_charges_is_told() -> None:
    assert "articles.LATE" in [one.where for one in _found(Kind.UNUSED, tariff())]


# The boxes against every view, one by one -----------------------------------------------------

WHENS = st.fixed_dictionaries(
    {},
    optional={
        "species": st.lists(st.sampled_from(["dog", "cat"]), max_size=2, unique=True),
        "plans": st.lists(st.sampled_from(["p-*", "p-q-*", "p-q", "r"]), max_size=2, unique=True),
        "weight_from_kg": st.sampled_from([0.0, 5.0, 10.0]),
        "weight_below_kg": st.sampled_from([12.0, 20.0]),
        "views": st.lists(st.sampled_from(["max-*", "max-a", "x"]), max_size=2, unique=True),
        "techniques": st.lists(st.sampled_from(["parallel", "bisecting"]), max_size=2, unique=True),
    },
)
EVERY_VIEW = list(
    product(
        Species,
        ("p-a", "p-q", "p-q-a", "r", "s", None),
        (3.0, 5.0, 10.0, 12.0, 20.0, None),
        ("max-a", "max-b", "x", "y", None),
        (*Technique, None),
    )
)


@settings(max_examples=40, deadline=None)
@given(st.lists(WHENS, min_size=1, max_size=5))
def test_the_check_finds_what_a_look_at_every_view_finds(whens: list[dict[str, Any]]) -> None:
    terms = tariff(views=[_rule(f"r{place}", **when) for place, when in enumerate(whens)])
    reached: set[str] = set()
    without_price = False
    for species, plan, kg, view, technique in EVERY_VIEW:
        first = next(
            (
                rule.name
                for rule in terms.views
                if rule.when.holds(species, plan, kg)
                and rule.when.holds_for_view(view, technique, after_hours=False)
            ),
            None,
        )
        without_price = without_price or first is None
        reached |= {first} if first is not None else set()

    unreachable = {one.where.split(".")[1] for one in _found(Kind.UNREACHABLE, terms)}

    assert unreachable == {rule.name for rule in terms.views} - reached
    assert bool(_found(Kind.GAP, terms)) is without_price


def test_a_space_cuts_only_where_rules_ask() -> None:
    sizes = [len(one.values) for one in space_of(tariff().views).directions]

    assert sizes == [2, 1, 2, 1, 4, 2]


# Versions -------------------------------------------------------------------------------------


def test_prices_that_change_are_told_by_code() -> None:
    before = tariff(valid_to="2026-06-30")
    after = tariff(valid_from="2026-07-01", articles=articles(FIRST="41.00", NEW="9.00"))

    found = changes(before, after)

    told = [(one.code, str(one.before), str(one.after), str(one.percent)) for one in found.prices]
    assert told == [("FIRST", "40.00", "41.00", "2.5"), ("NEW", "None", "9.00", "None")]
    assert found.words == ()


def test_days_that_no_version_or_two_hold_for_are_told() -> None:
    late = tariff(valid_from="2026-08-01")

    (gap,) = changes(tariff(valid_to="2026-06-30"), late).words
    (both,) = changes(tariff(), late).words

    assert gap == "no version holds from 2026-07-01 to 2026-07-31: nothing is charged on these days"
    assert both.endswith("valid_to 2026-07-31")


def test_a_dry_run_tells_each_codes_lines_and_sums_before_and_after() -> None:
    studies = [assessed(images=[image(1), image(2)]), assessed(images=[image(1)])]
    dearer = tariff(articles=articles(FIRST="44.00", NEXT="10.00"))
    lines = [(price(one, tariff(), UTC).lines, price(one, dearer, UTC).lines) for one in studies]

    run = dry_run(lines)

    told = {
        code: (one.quantity_before, one.quantity_after, str(one.difference))
        for code, one in run.by_code.items()
    }
    assert told == {"FIRST": (2, 2, "8.00"), "NEXT": (1, 1, "-5.00")}
    assert (run.studies, run.dearer, run.cheaper) == (2, 1, 1)
    assert str(run.difference) == "3.00"
    same = dry_run([(before, before) for before, _ in lines])
    assert (same.studies, same.dearer, same.cheaper, str(same.difference)) == (2, 0, 0, "0.00")
    more = dry_run([(before, after) for before, after in lines[1:]] * 3)
    assert (more.dearer, more.cheaper) == (3, 0)
