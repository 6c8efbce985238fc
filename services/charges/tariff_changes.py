"""What changes from one version of a tariff to another, code by code. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal

from schemas.tariffs import Tariff


@dataclass(frozen=True, slots=True)
class PriceChange:
    """A code's price before and after; None where the code is not in that version."""

    code: str
    before: Decimal | None
    after: Decimal | None

    @property
    def percent(self) -> Decimal | None:
        """The rise in per cent to one decimal, halves away from zero; None without both prices."""
        if self.before is None or self.after is None:
            return None
        rise = (self.after - self.before) * 100 / self.before
        return rise.quantize(Decimal("0.1"), ROUND_HALF_UP)


@dataclass(frozen=True, slots=True)
class Changes:
    """Prices that are not the same, and in words what else is not."""

    prices: tuple[PriceChange, ...]
    words: tuple[str, ...]


def changes(before: Tariff, after: Tariff) -> Changes:
    """Compare two versions, or two tariffs."""
    codes = sorted(before.articles.keys() | after.articles.keys())
    found = [PriceChange(code, _price(before, code), _price(after, code)) for code in codes]
    return Changes(
        tuple(one for one in found if one.before != one.after), tuple(_words(before, after))
    )


def _price(tariff: Tariff, code: str) -> Decimal | None:
    article = tariff.articles.get(code)
    return article.unit_amount if article is not None else None


_TOLD = ("currency", "rounding", "tax", "bundle_choice", "caps", "opening_hours", "after_hours")
_TOLD_TOO = ("consumables", "referral", "minimum_charge", "sites", "views", "bundles")


def _words(before: Tariff, after: Tariff) -> Iterator[str]:
    for name in (*_TOLD, *_TOLD_TOO):
        if getattr(before, name) != getattr(after, name):
            yield f"{name.replace('_', ' ')}: not the same"
    for code in sorted(before.articles.keys() & after.articles.keys()):
        if before.articles[code].tax != after.articles[code].tax:
            yield f"tax of {code}: {before.articles[code].tax}, then {after.articles[code].tax}"
    if before.code == after.code:
        yield from _validity(before, after)


def _validity(before: Tariff, after: Tariff) -> Iterator[str]:
    earlier, later = sorted((before, after), key=lambda one: one.valid_from)
    if earlier.valid_to is None or earlier.valid_to >= later.valid_from:
        yield (
            f"both hold on {later.valid_from}: give the version from {earlier.valid_from} "
            f"valid_to {later.valid_from - timedelta(days=1)}"
        )
    elif earlier.valid_to + timedelta(days=1) < later.valid_from:
        first = earlier.valid_to + timedelta(days=1)
        last = later.valid_from - timedelta(days=1)
        yield f"no version holds from {first} to {last}: nothing is charged on these days"
