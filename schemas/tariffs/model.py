"""The shape of a tariff. The prices are a group's own; the packaged ones are invented."""

from collections.abc import Iterator, Mapping
from datetime import date
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Currency, Name, Text
from schemas.conclusions.charges import ChargeCode
from schemas.tariffs.conditions import Pattern, StudyWhen, ViewWhen
from schemas.tariffs.extras import AfterHours, Caps, Consumable, MinimumCharge, Referral
from schemas.tariffs.hours import OpeningHours
from schemas.tariffs.money import FINER_THAN_CENT, Rounding, UnitAmount, minor_unit
from schemas.tariffs.tax import Tax

__all__ = ["Article", "Bundle", "BundleChoice", "SiteTerms", "Tariff", "ViewRule"]


class Article(Contract):
    """What one code costs: the words that the record knows it by, and the price of one.

    ``tax`` names one of the tariff's rates.
    """

    description: Text
    unit_amount: UnitAmount
    tax: Name | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "description": "Intraoral view, first (invented)",
            "unit_amount": "38.00",
            "tax": "standard",
        },
    )


class ViewRule(Contract):
    """What a diagnostic view costs. Of the rules that hold, the first in the file counts.

    ``first`` is the code of a study's first view that is charged by itself, ``further`` that of
    each other one. Where a bundle is charged every view beside it is a further one.
    """

    name: Name
    when: ViewWhen = ViewWhen()
    first: ChargeCode
    further: ChargeCode

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "dog",
            "when": {"species": ["dog"]},
            "first": "INV-DOG-FIRST",
            "further": "INV-DOG-NEXT",
        },
    )


class Bundle(Contract):
    """One price for a series of views, in place of what they would cost one by one.

    It covers the diagnostic views of the codes in ``covers`` (all without it). It can be charged
    once a study, where at least so many of the plan's views that it covers are done
    (``at_least_views``), and at least such a share of them (``at_least_percent``). A view that a
    charged bundle covers is not charged beside it; one that several cover counts for the first.
    """

    name: Name
    article: ChargeCode
    when: StudyWhen = StudyWhen()
    covers: tuple[Pattern, ...] = ()
    at_least_views: Annotated[int, Field(ge=1, le=60)] = 1
    at_least_percent: Annotated[int, Field(ge=1, le=100)] = 100

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "dog-series",
            "article": "INV-DOG-SERIES",
            "when": {"species": ["dog"], "plans": ["dog-full-mouth*"]},
            "at_least_percent": 90,
        },
    )


class BundleChoice(StrEnum):
    """Which bundles are charged where several could be.

    ``LOWEST_TOTAL``: those, or none, that make the study's total the lowest for the client.
    ``FILE_ORDER``: in the order of the file each that can be charged and still covers a view.
    """

    LOWEST_TOTAL = "lowest_total"
    FILE_ORDER = "file_order"


class SiteTerms(Contract):
    """What is different at one site; what is left out is as for all."""

    unit_amounts: dict[ChargeCode, UnitAmount] = Field(default_factory=dict)
    opening_hours: OpeningHours | None = None
    caps: Caps | None = None
    minimum_charge: MinimumCharge | None = None
    referral: Referral | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"unit_amounts": {"INV-DOG-FIRST": "41.00"}},)


class Tariff(Contract):
    """The prices of a group or site for the days from ``valid_from`` to ``valid_to``, both in it.

    Versions of a tariff share their ``code``. The amounts are made in this order: prices (bundles,
    views, after-hours supplement, consumables), caps of a code, referral discount, cap of the
    study, minimum charge, tax; each line is rounded as it is made. Never charged, whatever stands
    here: an exposure that ended early or made no image, a repeat or rejected image, a view beyond
    the order, and a training or test order.
    """

    code: Name
    title: Text
    currency: Currency
    valid_from: date
    valid_to: date | None = None
    basis: Literal["invented", "group"]
    """``invented``: ours, for demonstration only; ``group``: set by the group."""
    note: Text
    rounding: Rounding = Rounding.HALF_UP
    tax: Tax | None = None
    articles: Annotated[dict[ChargeCode, Article], Field(min_length=1, max_length=1000)]
    views: Annotated[tuple[ViewRule, ...], Field(min_length=1, max_length=200)]
    bundles: Annotated[tuple[Bundle, ...], Field(max_length=12)] = ()
    bundle_choice: BundleChoice = BundleChoice.LOWEST_TOTAL
    caps: Caps = Caps()
    opening_hours: OpeningHours | None = None
    after_hours: AfterHours | None = None
    consumables: tuple[Consumable, ...] = ()
    referral: Referral | None = None
    minimum_charge: MinimumCharge | None = None
    sites: dict[Name, SiteTerms] = Field(default_factory=dict)

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "invented-2026",
            "title": "Invented tariff 2026",
            "currency": "EUR",
            "valid_from": "2026-01-01",
            "basis": "invented",
            "note": "Invented prices, taken from nobody.",
            "tax": Tax.EXAMPLES[0],
            "articles": {
                "INV-DOG-FIRST": Article.EXAMPLES[0],
                "INV-DOG-NEXT": {
                    "description": "Intraoral view, further (invented)",
                    "unit_amount": "14.50",
                    "tax": "standard",
                },
                "INV-COVER": {
                    "description": "Sensor cover (invented)",
                    "unit_amount": "1.20",
                    "tax": "standard",
                },
            },
            "views": [ViewRule.EXAMPLES[0]],
            "consumables": [Consumable.EXAMPLES[0]],
        },
    )

    def holds_on(self, day: date) -> bool:
        return self.valid_from <= day and (self.valid_to is None or day <= self.valid_to)

    def at(self, site: str) -> "Tariff":
        """Give the tariff as it is at a site, with no differences left in it."""
        terms = self.sites.get(site)
        if terms is None:
            return self.model_copy(update={"sites": {}}) if self.sites else self
        articles = {
            code: article.model_copy(
                update={"unit_amount": terms.unit_amounts.get(code, article.unit_amount)}
            )
            for code, article in self.articles.items()
        }
        own = {
            name: value
            for name in ("opening_hours", "caps", "minimum_charge", "referral")
            if (value := getattr(terms, name)) is not None
        }
        return self.model_copy(update={"articles": articles, "sites": {}, **own})

    def codes_used(self) -> Iterator[tuple[str, str]]:
        """Give every use of a code as a pair: the field that names it, and the code."""
        for place, rule in enumerate(self.views):
            yield f"views.{place}.first", rule.first
            yield f"views.{place}.further", rule.further
        for place, bundle in enumerate(self.bundles):
            yield f"bundles.{place}.article", bundle.article
        for place, consumable in enumerate(self.consumables):
            yield f"consumables.{place}.article", consumable.article
        if self.after_hours is not None:
            yield "after_hours.article", self.after_hours.article
        if self.minimum_charge is not None:
            yield "minimum_charge.article", self.minimum_charge.article
        for site, terms in self.sites.items():
            if terms.minimum_charge is not None:
                yield f"sites.{site}.minimum_charge.article", terms.minimum_charge.article

    @model_validator(mode="after")
    def _days_follow(self) -> Self:
        if self.valid_to is not None and self.valid_to < self.valid_from:
            raise ValueError(f"expected valid_to on or after {self.valid_from}")
        return self

    @model_validator(mode="after")
    def _codes_are_articles(self) -> Self:
        priced = [
            *self.codes_used(),
            *((f"caps.by_code.{code}", code) for code in self.caps.by_code),
            *(
                (f"sites.{site}.{where}.{code}", code)
                for site, terms in self.sites.items()
                for where, codes in _codes_of(terms).items()
                for code in codes
            ),
        ]
        for field, code in priced:
            if code not in self.articles:
                raise ValueError(f"{field}: expected a code among articles, got {code}")
        return self

    @model_validator(mode="after")
    def _names_are_their_own(self) -> Self:
        for what, names in (
            ("views", [rule.name for rule in self.views]),
            ("bundles", [bundle.name for bundle in self.bundles]),
            ("consumables", [one.article for one in self.consumables]),
        ):
            twice = {name for name in names if names.count(name) > 1}
            if twice:
                raise ValueError(f"{what}: expected each once, got {', '.join(sorted(twice))}")
        return self

    @model_validator(mode="after")
    def _taxes_are_rates(self) -> Self:
        rates = self.tax.rates_percent if self.tax is not None else {}
        for code, article in self.articles.items():
            if (article.tax is None) is (self.tax is not None) or (
                article.tax is not None and article.tax not in rates
            ):
                known = f"one of {', '.join(rates)}" if rates else "none, for the tariff has no tax"
                raise ValueError(f"articles.{code}.tax: expected {known}, got {article.tax}")
        return self

    @model_validator(mode="after")
    def _hours_are_told(self) -> Self:
        asked = self.after_hours is not None or any(
            rule.when.after_hours is not None for rule in self.views
        )
        if asked and self.opening_hours is None:
            raise ValueError("expected opening_hours, for a rule asks what is after hours")
        return self

    @model_validator(mode="after")
    def _amounts_fit_the_currency(self) -> Self:
        if self.currency in FINER_THAN_CENT:
            raise ValueError(f"currency: expected one of at most two decimals, not {self.currency}")
        unit = minor_unit(self.currency)
        for field, amount in self._amounts():
            if amount % unit:
                raise ValueError(f"{field}: expected whole units of {self.currency}, got {amount}")
        return self

    def _amounts(self) -> Iterator[tuple[str, UnitAmount]]:
        for code, article in self.articles.items():
            yield f"articles.{code}.unit_amount", article.unit_amount
        yield from _amounts_of("", self.caps, self.minimum_charge)
        for site, terms in self.sites.items():
            for code, amount in terms.unit_amounts.items():
                yield f"sites.{site}.unit_amounts.{code}", amount
            yield from _amounts_of(f"sites.{site}.", terms.caps, terms.minimum_charge)


def _codes_of(terms: SiteTerms) -> Mapping[str, tuple[str, ...]]:
    return {
        "unit_amounts": tuple(terms.unit_amounts),
        "caps.by_code": tuple(terms.caps.by_code) if terms.caps is not None else (),
    }


def _amounts_of(
    where: str, caps: Caps | None, minimum: MinimumCharge | None
) -> Iterator[tuple[str, UnitAmount]]:
    if caps is not None:
        if caps.study_amount is not None:
            yield f"{where}caps.study_amount", caps.study_amount
        for code, cap in caps.by_code.items():
            if cap.amount is not None:
                yield f"{where}caps.by_code.{code}.amount", cap.amount
    if minimum is not None:
        yield f"{where}minimum_charge.amount", minimum.amount
