"""The rows of a reconciled day. Pure."""

from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from typing import Any, Final

from schemas.conclusions import BooksReconciled, DayReconciled, ExceptionFound
from schemas.conclusions.reconciled import Class, Status
from services.console.bill_rows import cents
from services.console.charges.tables import CENTS, SUMS

Row = dict[str, Any]


class Kind(StrEnum):
    """What an exception is to whoever settles it."""

    REFUSED = "refused"
    MISSING = "missing"
    DOUBLED = "doubled"
    UNSUPPORTED = "unsupported"
    CHANGED = "changed"
    OTHER_PATIENT = "other-patient"
    LATE = "late"


_KINDS: Final = {
    Class.MISSING: Kind.MISSING,
    Class.DOUBLED: Kind.DOUBLED,
    Class.UNSUPPORTED: Kind.UNSUPPORTED,
    Class.AMOUNT_CHANGED: Kind.CHANGED,
    Class.CODE_CHANGED: Kind.CHANGED,
    Class.OTHER_PATIENT: Kind.OTHER_PATIENT,
    Class.LATE: Kind.LATE,
}


def kind_of(found: ExceptionFound) -> Kind:
    """Give an exception's kind; one that the record refused is that before it is missing."""
    return Kind.REFUSED if found.record_words is not None else _KINDS[found.kind]


def day_rows(site: str, told: DayReconciled, told_at: datetime) -> list[Row]:
    """Make the rows of ``CHARGE_DAY``."""
    common = {
        "site": site,
        "day": told.day,
        "revision": told.revision,
        "told_at": told_at,
        "read_at": told.read_at,
    }
    rows = [
        common
        | {"currency": books.currency}
        | _sums(books)
        | {"snapshot": books.model_dump_json(exclude={"exceptions"})}
        for books in told.books
    ]
    return rows or [common | {"currency": ""} | dict.fromkeys(SUMS, 0) | {"snapshot": "{}"}]


def _sums(books: BooksReconciled) -> Row:
    exceptions = books.unlisted + sum(one.status is not Status.ACCEPTED for one in books.exceptions)
    totals = books.totals
    if totals is None:
        return dict.fromkeys(SUMS, 0) | {"exceptions": exceptions, "faults": 1}
    differences = sum((one.amount for one in totals.differences), Decimal())
    amounts = {
        f"{name}_cents": cents(differences if name == "differences" else getattr(totals, name))
        for name in CENTS
    }
    return {
        "images_seen": totals.images_seen,
        "images_charged": totals.images_charged,
        "images_not_charged": totals.images_not_charged,
        "exceptions": exceptions,
        "faults": 0,
    } | amounts


def exception_rows(site: str, told: DayReconciled, told_at: datetime) -> list[Row]:
    """Make the rows of ``CHARGE_EXCEPTION``."""
    return [
        {
            "site": site,
            "day": told.day,
            "exception_id": one.exception_id,
            "currency": books.currency,
            "kind": kind_of(one).value,
            "status": one.status.value,
            "open_day": None if one.status is Status.ACCEPTED else told.day,
            "at_stake_cents": cents(one.at_stake),
            "told_at": told_at,
            "snapshot": one.model_dump_json(),
        }
        for books in told.books
        for one in books.exceptions
    ]
