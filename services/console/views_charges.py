"""What the charge desk shows: totals, what a person has to settle first, and one study's bill."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection, Table, func, select

from schemas.conclusions import ChargesAssessed, ChargesCorrected, StudyAssessed
from services.console import answers
from services.console.answers import Answer
from services.console.bill_rows import amount_of
from services.console.paging import Page, from_place, page_of
from services.console.tables import (
    BILL,
    BILL_COUNTS,
    BILL_DAY,
    BILL_MONTH,
    CORRECTION,
    STUDY,
    WHOLE_GROUP,
    end_of_month,
    month_of,
    with_study,
)


@dataclass(frozen=True, slots=True)
class Total:
    """What some studies come to, in one currency; ``waiting`` are postings without an answer."""

    currency: str
    studies: int
    total: Decimal
    posted: Decimal
    waiting: int
    waiting_amount: Decimal
    refused: int
    exceptions: int
    not_charged: int


@dataclass(frozen=True, slots=True)
class DayTotal:
    day: date
    total: Total


@dataclass(frozen=True, slots=True)
class SiteTotal:
    site: str
    total: Total


@dataclass(frozen=True, slots=True)
class BillLine:
    """One study's charges as a line of the list."""

    site: str
    study_instance_uid: str
    day: date
    due: bool
    total: Total
    patient_id: str | None
    patient_name: str | None
    accession_number: str | None
    plan_title: str | None


@dataclass(frozen=True, slots=True)
class BillPage:
    """One study's charges, whole: lines with their reasons and images, what is not charged and
    why, and the record's newest answer to each posting. ``study`` is the evidence."""

    line: BillLine
    charges: ChargesAssessed
    answers: Mapping[str, Answer]
    study: StudyAssessed


@dataclass(frozen=True, slots=True)
class Month:
    """A month by its days and by its sites, and as a whole, once for each currency."""

    first: date
    days: tuple[DayTotal, ...]
    sites: tuple[SiteTotal, ...]
    whole: tuple[Total, ...]


_BILL = [BILL.c[name] for name in ("site", "study_instance_uid", "day", "due", "currency")]
_COUNTS = [BILL.c[name] for name in BILL_COUNTS]
_STUDY = [
    STUDY.c[name] for name in ("patient_id", "patient_name", "accession_number", "plan_title")
]
_JOINED = with_study(BILL)


def totals_by_day(
    connection: Connection, sites: Sequence[str] | None, first: date, last: date
) -> tuple[DayTotal, ...]:
    """Sum each day of a period; over all sites where none is named."""
    own = BILL_DAY.c
    query = select(own.day, own.currency, *_sums(BILL_DAY))
    query = query.where(own.day >= first, own.day <= last)
    query = query.where(own.site.in_([WHOLE_GROUP] if sites is None else sites))
    query = query.group_by(own.day, own.currency).order_by(own.day, own.currency)
    return tuple(DayTotal(row.day, _total(row)) for row in connection.execute(query))


def totals_by_site(
    connection: Connection, sites: Sequence[str] | None, month: date
) -> tuple[SiteTotal, ...]:
    """Give each site's sums of a month, those with exceptions first; ``month`` is its first day."""
    own = BILL_MONTH.c
    query = select(BILL_MONTH).where(own.month == month)
    if sites is not None:
        query = query.where(own.site.in_(sites))
    found = [SiteTotal(row.site, _total(row)) for row in connection.execute(query)]
    return tuple(sorted(found, key=lambda one: (-one.total.exceptions, one.site)))


def month(connection: Connection, sites: Sequence[str] | None, day: date) -> Month:
    """Sum the month that a day lies in."""
    first = month_of(day)
    by_site = totals_by_site(connection, sites, first)
    whole: dict[str, Total] = {}
    for one in by_site:
        known = whole.get(one.total.currency)
        whole[one.total.currency] = one.total if known is None else _added(known, one.total)
    days = totals_by_day(connection, sites, first, end_of_month(day))
    return Month(first, days, by_site, tuple(whole[name] for name in sorted(whole)))


def exceptions(
    connection: Connection, sites: Sequence[str] | None, after: str | None = None
) -> Page[BillLine]:
    """List the studies with refused or moved postings, the oldest first.

    Raises InvalidInput for a place that no page gave.
    """
    own = BILL.c.exception_day
    query = select(*_BILL, *_COUNTS, *_STUDY, own).select_from(_JOINED).where(own.is_not(None))
    if sites is not None:
        query = query.where(BILL.c.site.in_(sites))
    columns = [own, BILL.c.site, BILL.c.study_instance_uid]
    return page_of(connection.execute(from_place(query, columns, after)).all(), columns, _bill_line)


def one_bill(connection: Connection, site: str, study_instance_uid: str) -> BillPage | None:
    """Read one study's charges; None while its charges or its study are not known."""
    row = connection.execute(
        select(
            *_BILL,
            *_COUNTS,
            *_STUDY,
            BILL.c.answers,
            BILL.c.snapshot.label("bill_snapshot"),
            STUDY.c.snapshot.label("study_snapshot"),
        )
        .select_from(_JOINED)
        .where(BILL.c.site == site, BILL.c.study_instance_uid == study_instance_uid)
    ).one_or_none()
    if row is None or row.bill_snapshot is None or row.study_snapshot is None:
        return None
    return BillPage(
        _bill_line(row),
        ChargesAssessed.model_validate_json(row.bill_snapshot),
        answers.from_text(row.answers),
        StudyAssessed.model_validate_json(row.study_snapshot),
    )


def corrections(
    connection: Connection, site: str, after: str | None = None
) -> Page[ChargesCorrected]:
    """List what people decided about exceptions of reconciliation, the newest first.

    Raises InvalidInput for a place that no page gave.
    """
    query = select(CORRECTION).where(CORRECTION.c.site == site)
    columns = [CORRECTION.c.decided_at, CORRECTION.c.exception_id]
    rows = connection.execute(from_place(query, columns, after, newest_first=True)).all()
    return page_of(rows, columns, lambda row: ChargesCorrected.model_validate_json(row.snapshot))


def _sums(table: Table) -> list[Any]:
    return [func.sum(table.c[name]).label(name) for name in BILL_COUNTS]


def _bill_line(row: Any) -> BillLine:
    return BillLine(
        row.site,
        row.study_instance_uid,
        row.day,
        row.due,
        _total(row),
        row.patient_id,
        row.patient_name,
        row.accession_number,
        row.plan_title,
    )


def _total(row: Any) -> Total:
    return Total(
        currency=row.currency,
        studies=int(row.studies),
        total=amount_of(row.total_cents),
        posted=amount_of(row.posted_cents),
        waiting=int(row.waiting),
        waiting_amount=amount_of(row.waiting_cents),
        refused=int(row.refused),
        exceptions=int(row.exceptions),
        not_charged=int(row.not_charged),
    )


def _added(one: Total, other: Total) -> Total:
    return Total(
        one.currency,
        one.studies + other.studies,
        one.total + other.total,
        one.posted + other.posted,
        one.waiting + other.waiting,
        one.waiting_amount + other.waiting_amount,
        one.refused + other.refused,
        one.exceptions + other.exceptions,
        one.not_charged + other.not_charged,
    )
