"""Control totals of a day or a period, and whether both sides of each agree. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Any

from services.console.bill_rows import amount_of
from services.console.charges.tables import CENTS


@dataclass(frozen=True, slots=True)
class Equation:
    """The same money counted from two sides, each side as named parts."""

    left: tuple[tuple[str, Decimal], ...]
    right: tuple[tuple[str, Decimal], ...]

    @property
    def balances(self) -> bool:
        return _sum(self.left) == _sum(self.right)


def _sum(parts: Iterable[tuple[str, Decimal]]) -> Decimal:
    return sum((amount for _, amount in parts), Decimal("0.00"))


@dataclass(frozen=True, slots=True)
class Sums:
    """Sums in one currency; ``faults`` counts the days that did not balance and are in no sum."""

    images_seen: int
    images_charged: int
    images_not_charged: int
    exceptions: int
    faults: int
    priced: Decimal
    not_due: Decimal
    due: Decimal
    corrections: Decimal
    posted: Decimal
    waiting: Decimal
    refused: Decimal
    differences: Decimal
    held: Decimal
    unread: Decimal
    outstanding: Decimal

    @property
    def equations(self) -> tuple[Equation, ...]:
        """What has to agree to the cent."""
        return (
            Equation(
                (("due", self.due), ("corrections", self.corrections)),
                (("posted", self.posted), ("waiting", self.waiting), ("refused", self.refused)),
            ),
            Equation(
                (("posted", self.posted), ("differences", self.differences)),
                (("held", self.held),),
            ),
        )

    @property
    def balances(self) -> bool:
        return not self.faults and all(one.balances for one in self.equations)


def sums_of(row: Mapping[str, Any]) -> Sums:
    """Read sums from a row of ``CHARGE_DAY``, or of sums of such."""
    told: dict[str, Any] = {
        one.name: amount_of(row[f"{one.name}_cents"]) if one.name in CENTS else int(row[one.name])
        for one in fields(Sums)
    }
    return Sums(**told)


def added(several: Iterable[Sums]) -> Sums:
    """Add sums of one currency up."""
    rows = list(several)
    told: dict[str, Any] = {
        one.name: sum(
            (getattr(row, one.name) for row in rows),
            Decimal("0.00") if one.name in CENTS else 0,
        )
        for one in fields(Sums)
    }
    return Sums(**told)
