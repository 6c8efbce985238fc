"""The rows of a reconciliation report, the same for every format."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import date
from decimal import Decimal
from typing import Any

from services.charges.compared import Class, Finding
from services.charges.control_totals import ControlTotals
from services.charges.exceptions import ChargeException
from services.charges.month_summary import Summary
from services.runtime.sheets import Cell

LINE_HEADS = (
    "site", "day", "patient", "class", "reason", "currency", "amount due", "amount held",
    "difference", "at stake", "code", "quantity", "posting key", "line id", "images",
    "confidence", "entered by", "exception", "status", "age in days", "bucket", "actions",
    "four eyes", "decided by", "decision",
)  # fmt: skip

TOTAL_HEADS = (
    "site", "day", "currency", "images seen", "images charged", "images not charged", "priced",
    "not due yet", "due", "corrections", "posted", "open",
    *(f"difference: {kind.value}" for kind in Class if kind is not Class.OPEN),
    "held", "outstanding",
)  # fmt: skip


def line_row(
    site: str, currency: str, finding: Finding, listed: ChargeException | None
) -> tuple[Cell, ...]:
    """Lay one finding out, with its exception where it is one."""
    entry, line = finding.expected, finding.held
    decision = listed.decision if listed is not None else None
    return (
        site,
        finding.day,
        finding.patient,
        finding.kind.value,
        finding.reason,
        currency,
        entry.amount if entry is not None else None,
        line.amount if line is not None else None,
        finding.difference,
        finding.at_stake,
        entry.code if entry is not None else line.code if line is not None else None,
        entry.quantity if entry is not None else line.quantity if line is not None else None,
        entry.key if entry is not None else line.key if line is not None else None,
        line.line_id if line is not None else None,
        " ".join(entry.images) if entry is not None else None,
        finding.confidence,
        line.entered_by if line is not None else None,
        listed.id if listed is not None else None,
        listed.status.value if listed is not None else None,
        listed.age_days if listed is not None else None,
        listed.bucket if listed is not None else None,
        " ".join(listed.actions) if listed is not None else None,
        ("yes" if listed.needs_second else "no") if listed is not None else None,
        decision.person if decision is not None else None,
        decision.action.value if decision is not None else None,
    )


def total_row(site: str, day: date | str, currency: str, totals: ControlTotals) -> tuple[Cell, ...]:
    """Lay the control totals of one day, or of a period, out."""
    return (
        site,
        day,
        currency,
        totals.images_seen,
        totals.images_charged,
        totals.images_not_charged,
        totals.priced,
        totals.not_due,
        totals.due,
        totals.corrections,
        totals.posted,
        totals.open,
        *(
            totals.differences.get(kind, Decimal("0.00"))
            for kind in Class
            if kind is not Class.OPEN
        ),
        totals.held,
        totals.outstanding,
    )


def summary_rows(
    summary: Summary, aging: Mapping[str, tuple[int, Decimal]]
) -> Iterable[tuple[Cell, ...]]:
    """Lay the summary out: what, number, amount."""
    told: dict[str, Any] = asdict(summary)
    for name in ("matched", "recovered", "prevented", "under_way", "accepted"):
        title = {"prevented": "errors prevented", "under_way": "under way"}.get(name, name)
        yield title, told[name], told[f"{name}_amount"]
    for bucket, (count, amount) in aging.items():
        yield f"not settled, {bucket}", count, amount
    yield "how it was counted", summary.how_counted, None
