"""Tariffs as data: what diagnostic views, series and consumables cost at a site."""

from schemas.tariffs.conditions import StudyWhen, ViewWhen
from schemas.tariffs.extras import (
    AfterHours,
    Caps,
    CodeCap,
    Consumable,
    MinimumCharge,
    Referral,
    WithoutWord,
)
from schemas.tariffs.hours import Open, OpeningHours, Weekday
from schemas.tariffs.load import TariffBook, load_tariffs, read_tariff
from schemas.tariffs.model import Article, Bundle, BundleChoice, SiteTerms, Tariff, ViewRule
from schemas.tariffs.money import Rounding, minor_unit, rounded
from schemas.tariffs.tax import Tax, TaxRounding

__all__ = [
    "AfterHours",
    "Article",
    "Bundle",
    "BundleChoice",
    "Caps",
    "CodeCap",
    "Consumable",
    "MinimumCharge",
    "Open",
    "OpeningHours",
    "Referral",
    "Rounding",
    "SiteTerms",
    "StudyWhen",
    "Tariff",
    "TariffBook",
    "Tax",
    "TaxRounding",
    "ViewRule",
    "ViewWhen",
    "Weekday",
    "WithoutWord",
    "load_tariffs",
    "minor_unit",
    "read_tariff",
    "rounded",
]
