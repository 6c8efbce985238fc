"""What a page shows, as rows for CSV and workbooks. Amounts are numbers; a credit is negative."""

from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal
from typing import Final

from services.console.charges.bills import Bill
from services.console.charges.sums import Sums
from services.console.charges.tables import CENTS
from services.console.charges.views import DayBooks, Listed, Unmapped
from services.console.charges.words import ACTIONS, DIFFERENCES, KINDS, STATUSES, next_action
from services.runtime.sheets import Cell

EXCEPTION_HEADS: Final = (
    "site", "day", "what", "status", "patient", "code", "quantity", "currency", "due", "held",
    "at stake", "reason", "words of the record", "next action", "study", "posting key", "line",
    "entered by", "images", "four eyes", "decided by", "decision", "reason of the decision",
    "countersigned by", "exception",
)  # fmt: skip
SUM_HEADS: Final = (
    "images seen", "images charged", "images not charged", "open exceptions",
    "days without balance", *(name.replace("_", " ") for name in CENTS), "balances",
)  # fmt: skip
BILL_HEADS: Final = (
    "site", "day", "patient", "patient id", "plan", "study", "currency", "amount", "posted",
    "waiting", "refused", "how it stands",
)  # fmt: skip
NOT_CHARGED_HEADS: Final = ("site", "day", "patient", "study", "what", "why")
DIFFERENCE_HEADS: Final = ("site", "day", "currency", "why", "held more than posted")


def exception_rows(listed: Sequence[Listed]) -> Iterator[tuple[Cell, ...]]:
    """Lay the exceptions out."""
    for one in listed:
        found, decision = one.found, one.found.decision
        yield (
            one.site,
            one.day,
            KINDS[one.kind],
            STATUSES[found.status],
            found.patient_id,
            found.code,
            found.quantity,
            one.currency,
            found.due,
            found.held,
            found.at_stake,
            found.reason,
            found.record_words,
            next_action(one),
            found.study_instance_uid,
            found.posting_key,
            found.line_id,
            found.entered_by,
            " ".join(found.images) or None,
            "yes" if found.needs_second else "no",
            decision.by if decision is not None else None,
            ACTIONS[decision.action] if decision is not None else None,
            decision.reason if decision is not None else None,
            decision.second if decision is not None else None,
            one.found.exception_id,
        )


def unmapped_rows(site: str, waiting: Sequence[Unmapped]) -> Iterator[tuple[Cell, ...]]:
    """Lay out, in the same columns, what waits for a code of the record."""
    for one in waiting:
        told = one.missing
        codes = ", ".join(f"{code.table}.{code.code}" for code in told.missing)
        row: tuple[Cell, ...] = (
            site, one.day, "Code without one of the record", "waits for a code",
            told.patient_id, codes, None, None, None, None, None, told.words, None,
            told.next_action, told.study_instance_uid, told.posting_key,
        )  # fmt: skip
        yield row + (None,) * (len(EXCEPTION_HEADS) - len(row))


def sum_cells(sums: Sums) -> tuple[Cell, ...]:
    """Lay control totals out."""
    amounts: tuple[Decimal, ...] = tuple(getattr(sums, name) for name in CENTS)
    return (
        sums.images_seen,
        sums.images_charged,
        sums.images_not_charged,
        sums.exceptions,
        sums.faults,
        *amounts,
        "yes" if sums.balances else "no",
    )


def difference_rows(site: str, day: date, books: Sequence[DayBooks]) -> Iterator[tuple[Cell, ...]]:
    """Lay out why the record holds other than was posted."""
    for one in books:
        if one.books.totals is not None:
            for told in one.books.totals.differences:
                yield site, day, one.currency, DIFFERENCES[told.kind], told.amount


def bill_rows(site: str, bills: Sequence[Bill]) -> Iterator[tuple[Cell, ...]]:
    """Lay the studies out."""
    for one in bills:
        yield (
            site,
            one.day,
            one.patient,
            one.patient_id,
            one.plan,
            one.study_instance_uid,
            one.currency,
            one.amount,
            one.posted,
            one.waiting,
            one.refused,
            one.state,
        )


def not_charged_rows(site: str, bills: Sequence[Bill]) -> Iterator[tuple[Cell, ...]]:
    """Lay out what is not charged, and why."""
    for one in bills:
        for about, reason in one.not_charged:
            yield site, one.day, one.patient, one.study_instance_uid, about, reason
