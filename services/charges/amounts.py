"""From draft lines to amounts: caps, discount, minimum charge and tax, each rounded as stated."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from schemas.conclusions import ChargeLine, NotCharged, TaxSum
from schemas.tariffs import Tariff, TaxRounding, minor_unit, rounded
from services.charges.drafts import Draft

_HUNDRED = Decimal(100)


@dataclass(frozen=True, slots=True)
class Settled:
    """The lines with their amounts. ``total`` is in the tariff's terms.

    ``total_with_tax`` is what the client pays; the same as ``total`` where there is no tax.
    """

    lines: tuple[ChargeLine, ...]
    not_charged: tuple[NotCharged, ...]
    total: Decimal
    taxes: tuple[TaxSum, ...]
    total_with_tax: Decimal


def settle(drafts: Sequence[Draft], tariff: Tariff, *, referral: bool) -> Settled:
    """Make the amounts, in the order that ``Tariff`` states."""
    left_out: list[NotCharged] = []
    lines = _capped_codes(drafts, tariff, left_out)
    if referral:
        lines = _discounted(lines, tariff, left_out)
    lines = _capped_study(lines, tariff, left_out)
    lines = _made_up(lines, tariff)
    total = sum((line.amount for line in lines), _zero(tariff))
    charged = tuple(_charge_line(line, tariff) for line in lines)
    taxes = _taxes(charged, tariff)
    on_top = tariff.tax is not None and not tariff.tax.prices_include_tax
    to_pay = total + sum((one.tax_amount for one in taxes), _zero(tariff)) if on_top else total
    return Settled(charged, tuple(left_out), total, taxes, to_pay)


def _zero(tariff: Tariff) -> Decimal:
    return minor_unit(tariff.currency) * 0


def _capped_codes(
    drafts: Sequence[Draft], tariff: Tariff, left_out: list[NotCharged]
) -> list[Draft]:
    kept: list[Draft] = []
    count: dict[str, int] = defaultdict(int)
    spent: dict[str, Decimal] = defaultdict(Decimal)
    for line in drafts:
        cap = tariff.caps.by_code.get(line.code)
        count[line.code] += 1
        if cap is not None and cap.quantity is not None and count[line.code] > cap.quantity:
            left_out += line.left_out(f"a study costs {cap.quantity} of {line.code} at most")
            continue
        if cap is not None and cap.amount is not None:
            words = f"a study costs {cap.amount} {tariff.currency} of {line.code} at most"
            found = _at_most(line, cap.amount - spent[line.code], words, left_out)
            if found is None:
                continue
            line = found  # noqa: PLW2901 - what is left of it
        spent[line.code] += line.amount
        kept.append(line)
    return kept


def _discounted(lines: list[Draft], tariff: Tariff, left_out: list[NotCharged]) -> list[Draft]:
    referral = tariff.referral
    if referral is None:
        return lines
    percent = referral.discount_percent
    kept: list[Draft] = []
    for line in lines:
        if line.consumable and not referral.on_consumables:
            kept.append(line)
            continue
        share = (_HUNDRED - percent) / _HUNDRED
        amount = rounded(line.amount * share, tariff.currency, tariff.rounding)
        words = f"referral discount of {percent.normalize():f} %"
        if amount > 0:
            kept.append(replace(line, amount=amount, reason=f"{line.reason}; {words}"))
        else:
            left_out += line.left_out(words)
    return kept


def _capped_study(lines: list[Draft], tariff: Tariff, left_out: list[NotCharged]) -> list[Draft]:
    most = tariff.caps.study_amount
    if most is None:
        return lines
    words = f"a study costs {most} {tariff.currency} at most"
    kept: list[Draft] = []
    left = most
    for line in lines:
        found = _at_most(line, left, words, left_out)
        if found is not None:
            left -= found.amount
            kept.append(found)
    return kept


def _at_most(line: Draft, left: Decimal, words: str, left_out: list[NotCharged]) -> Draft | None:
    """Give the line, what of it may still be charged, or None."""
    if line.amount <= left:
        return line
    if left > 0:
        return replace(line, amount=left, reason=f"{line.reason}; {words}")
    left_out += line.left_out(words)
    return None


def _made_up(lines: list[Draft], tariff: Tariff) -> list[Draft]:
    minimum = tariff.minimum_charge
    total = sum((line.amount for line in lines), Decimal(0))
    if minimum is None or not lines or total >= minimum.amount:
        return lines
    rest = minimum.amount - total
    return [
        *lines,
        Draft(
            code=minimum.article,
            amount=rest,
            unit_amount=rest,
            reason=f"made up to the least charge of a study, {minimum.amount} {tariff.currency}",
            rule="minimum-charge",
            images=tuple(dict.fromkeys(uid for line in lines for uid in line.images)),
            facts=tuple(dict.fromkeys(fact for line in lines for fact in line.facts)),
        ),
    ]


def _charge_line(line: Draft, tariff: Tariff) -> ChargeLine:
    article = tariff.articles[line.code]
    percent = tax_amount = None
    if tariff.tax is not None and article.tax is not None:
        percent = tariff.tax.rates_percent[article.tax]
        if tariff.tax.rounded_per is TaxRounding.LINE:
            tax_amount = _tax_of(line.amount, percent, tariff)
    return ChargeLine(
        code=line.code,
        description=article.description,
        quantity=1,
        unit_amount=line.unit_amount,
        amount=line.amount,
        reason=line.reason,
        images=line.images,
        facts=line.facts,
        rule=line.rule,
        tax_percent=percent,
        tax_amount=tax_amount,
    )


def _tax_of(amount: Decimal, percent: Decimal, tariff: Tariff) -> Decimal:
    """Give the tax in an amount, or on top of it, rounded once."""
    inside = tariff.tax is not None and tariff.tax.prices_include_tax
    exact = amount * percent / (_HUNDRED + percent if inside else _HUNDRED)
    return rounded(exact, tariff.currency, tariff.rounding)


def _taxes(lines: Sequence[ChargeLine], tariff: Tariff) -> tuple[TaxSum, ...]:
    if tariff.tax is None:
        return ()
    amounts: dict[Decimal, Decimal] = defaultdict(lambda: _zero(tariff))
    taxes: dict[Decimal, Decimal] = defaultdict(lambda: _zero(tariff))
    for line in lines:
        if line.tax_percent is not None:
            amounts[line.tax_percent] += line.amount
            taxes[line.tax_percent] += line.tax_amount or 0
    sums = []
    for percent in sorted(amounts):
        tax = taxes[percent]
        if tariff.tax.rounded_per is TaxRounding.TOTAL:
            tax = _tax_of(amounts[percent], percent, tariff)
        net = amounts[percent] - tax if tariff.tax.prices_include_tax else amounts[percent]
        sums.append(TaxSum(tax_percent=percent, net_amount=net, tax_amount=tax))
    return tuple(sums)
