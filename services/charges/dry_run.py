"""A month's studies at another tariff: what each code would bring, before and after. Pure."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal

from schemas.conclusions import ChargeLine

_NOTHING = Decimal("0.00")


@dataclass(slots=True)
class CodeSums:
    """How many lines of a code there are, and their sum."""

    quantity_before: int = 0
    quantity_after: int = 0
    before: Decimal = _NOTHING
    after: Decimal = _NOTHING

    @property
    def difference(self) -> Decimal:
        return self.after - self.before


@dataclass(slots=True)
class DryRun:
    """What the studies cost now and would cost. Sums are in the terms of each tariff."""

    by_code: dict[str, CodeSums] = field(default_factory=lambda: defaultdict(CodeSums))
    studies: int = 0
    dearer: int = 0
    cheaper: int = 0
    before: Decimal = _NOTHING
    after: Decimal = _NOTHING

    @property
    def difference(self) -> Decimal:
        return self.after - self.before


def dry_run(studies: Iterable[tuple[Iterable[ChargeLine], Iterable[ChargeLine]]]) -> DryRun:
    """Sum the lines before and after of each study, one study at a time."""
    run = DryRun()
    for before, after in studies:
        was = is_now = _NOTHING
        for line in before:
            sums = run.by_code[line.code]
            sums.quantity_before += line.quantity
            sums.before += line.amount
            was += line.amount
        for line in after:
            sums = run.by_code[line.code]
            sums.quantity_after += line.quantity
            sums.after += line.amount
            is_now += line.amount
        run.studies += 1
        run.dearer += is_now > was
        run.cheaper += is_now < was
        run.before += was
        run.after += is_now
    return run
