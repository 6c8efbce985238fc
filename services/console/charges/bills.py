"""The studies of a day as the desk lists them: what each costs, how it stands, what is not
charged."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection, select

from services.console.answers import from_text, newest
from services.console.bill_rows import amount_of
from services.console.charges.deeds import Deed, newest_deeds
from services.console.paging import Page, from_place, page_of
from services.console.tables import BILL, STUDY, with_study


@dataclass(frozen=True, slots=True)
class Bill:
    """One study's charges as a line. ``amount`` is what it costs now, with tax."""

    study_instance_uid: str
    day: date | None
    patient: str
    patient_id: str
    plan: str
    revision: int
    due: bool
    currency: str
    amount: Decimal
    posted: Decimal
    waiting: int
    waiting_amount: Decimal
    refused: int
    not_charged: tuple[tuple[str, str], ...]
    answered_at: datetime | None
    deed: Deed | None = None

    @property
    def awaited(self) -> Deed | None:
        """What was sent about it and is not seen yet."""
        deed = self.deed
        if deed is None or (self.due and not self.refused):
            return None
        if self.due and self.answered_at is not None and self.answered_at >= deed.told_at:
            return None
        return deed

    @property
    def mark(self) -> str:
        """What a person has seen of it."""
        told = (
            f"{self.revision}|{self.due}|{self.refused}|{self.amount}|"
            f"{self.deed.batch if self.deed else ''}"
        )
        return hashlib.sha256(told.encode()).hexdigest()[:16]

    @property
    def can_go_out(self) -> bool:
        return (not self.due or self.refused > 0) and self.awaited is None

    @property
    def state(self) -> str:
        """Say how far its charges are on their way."""
        if not self.due:
            return "Not due: the study is not closed, nothing has gone out."
        if self.refused:
            return f"{self.refused} refused by the record."
        if self.waiting:
            return f"{self.waiting} on the way to the record."
        return "All posted."


_COLUMNS = [
    BILL.c[name]
    for name in (
        "study_instance_uid",
        "day",
        "revision",
        "due",
        "currency",
        "total_cents",
        "posted_cents",
        "waiting",
        "waiting_cents",
        "refused",
        "answers",
        "snapshot",
    )
]
_QUERY = select(
    *_COLUMNS, STUDY.c.patient_name, STUDY.c.patient_id, STUDY.c.plan_title
).select_from(with_study(BILL))


def bills_of_day(
    connection: Connection, site: str, day: date, after: str | None = None
) -> Page[Bill]:
    """List the studies of a day. Raises InvalidInput for a place that no page gave."""
    query = _QUERY.where(BILL.c.site == site, BILL.c.day == day, BILL.c.snapshot.is_not(None))
    columns = [BILL.c.study_instance_uid]
    rows = connection.execute(from_place(query, columns, after)).all()
    deeds = newest_deeds(connection, site, [row.study_instance_uid for row in rows])
    return page_of(rows, columns, lambda row: _bill(row, deeds))


def some_bills(connection: Connection, site: str, studies: Sequence[str]) -> dict[str, Bill]:
    """Read these studies' charges."""
    rows = connection.execute(
        _QUERY.where(
            BILL.c.site == site,
            BILL.c.study_instance_uid.in_(sorted(set(studies))),
            BILL.c.snapshot.is_not(None),
        )
    ).all()
    deeds = newest_deeds(connection, site, [row.study_instance_uid for row in rows])
    return {row.study_instance_uid: _bill(row, deeds) for row in rows}


def _bill(row: Any, deeds: dict[str, Deed]) -> Bill:
    told = json.loads(row.snapshot)
    answer = newest(from_text(row.answers))
    return Bill(
        row.study_instance_uid,
        row.day,
        row.patient_name or row.patient_id or told["patient_id"],
        told["patient_id"],
        row.plan_title or "",
        row.revision,
        row.due,
        row.currency,
        amount_of(row.total_cents),
        amount_of(row.posted_cents),
        row.waiting,
        amount_of(row.waiting_cents),
        row.refused,
        tuple((one["about"], one["reason"]) for one in told["not_charged"]),
        answer.at if answer is not None else None,
        deeds.get(row.study_instance_uid),
    )
