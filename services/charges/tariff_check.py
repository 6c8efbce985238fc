"""What is odd in a tariff: rules that never count or that cross, gaps, wrong names. Pure."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from schemas.plans import Plan, View
from schemas.tariffs import Bundle, Tariff, ViewRule
from schemas.tariffs.conditions import fits
from services.charges.rule_boxes import common, space_of, within, without


class Weight(StrEnum):
    """``WRONG``: it can never do what it says; ``LOOK``: it may be meant, a person should look."""

    WRONG = "wrong"
    LOOK = "look"


class Kind(StrEnum):
    UNREACHABLE = "unreachable"
    OVERLAP = "overlap"
    GAP = "gap"
    UNKNOWN_NAME = "unknown name"
    NEVER_CHEAPER = "never cheaper"
    UNUSED = "unused"


@dataclass(frozen=True, slots=True)
class Finding:
    """One oddity: where it is, and in plain words what it is."""

    weight: Weight
    kind: Kind
    where: str
    words: str


def check_tariff(tariff: Tariff, plans: Mapping[str, Plan]) -> tuple[Finding, ...]:
    """Look through a tariff; ``plans`` are the view plans that studies are ordered by."""
    return (
        *_rules(tariff),
        *_names(tariff, plans.values()),
        *_bundles(tariff, plans.values()),
        *_unused(tariff),
    )


def _rules(tariff: Tariff) -> Iterator[Finding]:
    """Check the view rules against each other: the first that holds counts."""
    space = space_of(tariff.views)
    boxes = [space.box(rule.when) for rule in tariff.views]
    gaps = [space.whole]
    for place, rule in enumerate(tariff.views):
        where = f"views.{rule.name}"
        left = [boxes[place]]
        for other, earlier in zip(boxes[:place], tariff.views[:place], strict=True):
            shared = common(boxes[place], other)
            if shared is None:
                continue
            left = without(left, other)
            # An exception before what is general is how rules are written; two that cross are not.
            crosses = not within(other, boxes[place]) and not within(boxes[place], other)
            if crosses and (rule.first, rule.further) != (earlier.first, earlier.further):
                words = f"both hold for {space.words(shared)}: {earlier.name} counts, it is first"
                yield Finding(Weight.LOOK, Kind.OVERLAP, f"{where} and {earlier.name}", words)
        if not left:
            words = "the rules before it hold for every view that it holds for"
            yield Finding(Weight.WRONG, Kind.UNREACHABLE, where, words)
        gaps = without(gaps, boxes[place])
    for gap in gaps:
        words = f"no price, so not charged: {space.words(gap)}"
        yield Finding(Weight.LOOK, Kind.GAP, "views", words)


def _names(tariff: Tariff, plans: Iterable[Plan]) -> Iterator[Finding]:
    """Check that plans and views that are named are there."""
    known = list(plans)
    codes = {plan.code for plan in known}
    views = {view.code for plan in known for view in (*plan.views, *plan.substitutes)}
    asked = [
        *((f"views.{rule.name}", "plan", codes, rule.when.plans) for rule in tariff.views),
        *((f"views.{rule.name}", "view", views, rule.when.views) for rule in tariff.views),
        *((f"bundles.{one.name}", "plan", codes, one.when.plans) for one in tariff.bundles),
        *((f"bundles.{one.name}", "view", views, one.covers) for one in tariff.bundles),
    ]
    for where, what, names, patterns in asked:
        for pattern in patterns:
            if not any(fits((pattern,), name) for name in names):
                words = f"no {what} is called {pattern}"
                yield Finding(Weight.WRONG, Kind.UNKNOWN_NAME, where, words)


def _bundles(tariff: Tariff, plans: Iterable[Plan]) -> Iterator[Finding]:
    known = list(plans)
    for bundle in tariff.bundles:
        where = f"bundles.{bundle.name}"
        covered = [
            (plan, views)
            for plan in known
            if _is_for(bundle, plan)
            and (views := [view for view in plan.views if fits(bundle.covers, view.code)])
        ]
        enough = [one for one in covered if len(one[1]) >= bundle.at_least_views]
        if not enough:
            most = max((len(views) for _, views in covered), default=0)
            words = f"no plan has {bundle.at_least_views} views that it covers, the most is {most}"
            yield Finding(Weight.WRONG, Kind.UNREACHABLE, where, words)
            continue
        price = tariff.articles[bundle.article].unit_amount
        dearest = max(_single_views(tariff, plan, views) for plan, views in enough)
        if price >= dearest:
            words = (
                f"{price} {tariff.currency}, while its views one by one cost {dearest} "
                "at the most: it is never the lowest"
            )
            yield Finding(Weight.LOOK, Kind.NEVER_CHEAPER, where, words)


def _is_for(bundle: Bundle, plan: Plan) -> bool:
    species = not bundle.when.species or plan.species in bundle.when.species
    return species and fits(bundle.when.plans, plan.code)


def _single_views(tariff: Tariff, plan: Plan, views: list[View]) -> Decimal:
    """Give the most that a plan's views may cost one by one, whatever weight and hour."""
    prices = [_dearest(tariff, plan, view) for view in views]
    further = sum((further for _, further in prices), Decimal(0))
    return further + max(first - further for first, further in prices)


def _dearest(tariff: Tariff, plan: Plan, view: View) -> tuple[Decimal, Decimal]:
    """Give the dearest first and further price among the rules that may hold for a view."""
    held = [rule for rule in tariff.views if _may_hold(rule, plan, view)]
    first = [tariff.articles[rule.first].unit_amount for rule in held]
    further = [tariff.articles[rule.further].unit_amount for rule in held]
    return max(first, default=Decimal(0)), max(further, default=Decimal(0))


def _may_hold(rule: ViewRule, plan: Plan, view: View) -> bool:
    when = rule.when
    return (
        (not when.species or plan.species in when.species)
        and fits(when.plans, plan.code)
        and fits(when.views, view.code)
        and (not when.techniques or view.technique in when.techniques)
    )


def _unused(tariff: Tariff) -> Iterator[Finding]:
    used = {code for _, code in tariff.codes_used()}
    for code in tariff.articles:
        if code not in used:
            yield Finding(Weight.LOOK, Kind.UNUSED, f"articles.{code}", "no rule charges it")
