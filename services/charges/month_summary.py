"""What reconciliation brought in a period, and how that was counted. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from services.charges.compared import ZERO, Class, Finding
from services.charges.effects import Effect

HOW_COUNTED = (
    "Recovered: amounts that the record lacked when a person decided to post them, counted once "
    "the record is seen to hold the line. Errors prevented: amounts that the record held too "
    "much, or for another patient or code, when a person decided to put that right, counted once "
    "the record is seen to hold the correction. Each decision counts once, at the day of the "
    "work. Under way: decided, and not seen in the record yet. Accepted: left as it is, with a "
    "reason. Not counted: what would have been forgotten without automatic posting, for nobody "
    "measured that; and what people put right in the record by themselves."
)


@dataclass(frozen=True, slots=True)
class Summary:
    """Numbers and amounts; ``matched`` are lines of ours that are held as posted."""

    matched: int
    matched_amount: Decimal
    recovered: int
    recovered_amount: Decimal
    prevented: int
    prevented_amount: Decimal
    under_way: int
    under_way_amount: Decimal
    accepted: int
    accepted_amount: Decimal
    how_counted: str = HOW_COUNTED


def summarize(findings: Sequence[Finding], effects: Iterable[Effect]) -> Summary:
    """Count the findings and what the decisions of the same days did."""
    held = {one.expected.key for one in findings if one.expected is not None and one.held}
    matched = [
        one.held.amount
        for one in findings
        if one.kind is Class.MATCHED and one.expected is not None and one.held is not None
    ]
    recovered: list[Decimal] = []
    prevented: list[Decimal] = []
    under_way: list[Decimal] = []
    accepted: list[Decimal] = []
    for effect in effects:
        keys = {*effect.again, *(one.key for one in effect.corrections)}
        if not keys:
            if effect.assigned is None:
                accepted.append(effect.at_stake)
        elif not keys <= held:
            under_way.append(effect.at_stake)
        elif effect.shortfall > 0:
            recovered.append(effect.shortfall)
        else:
            prevented.append(effect.at_stake)
    return Summary(
        len(matched),
        sum(matched, ZERO),
        len(recovered),
        sum(recovered, ZERO),
        len(prevented),
        sum(prevented, ZERO),
        len(under_way),
        sum(under_way, ZERO),
        len(accepted),
        sum(accepted, ZERO),
    )
