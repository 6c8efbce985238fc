"""The row of one study's charges, and what it adds to the totals of its day. Pure."""

from collections import Counter
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from schemas.conclusions import ChargesAssessed
from schemas.facts import PostingOutcome
from services.console.answers import as_text, from_text
from services.console.tables import BILL_COUNTS, WHOLE_GROUP, month_of

Row = dict[str, Any]


def empty_bill(site: str, study_instance_uid: str) -> Row:
    """Make the row of charges of which nothing is known."""
    return {
        "site": site,
        "study_instance_uid": study_instance_uid,
        "revision": 0,
        "day": None,
        "currency": None,
        "due": False,
        **dict.fromkeys(BILL_COUNTS, 0),
        "exception_day": None,
        "answers": as_text({}),
        "snapshot": None,
    }


def settled(row: Row, charges: ChargesAssessed | None, day: date | None) -> Row:
    """Fill in what follows from the charges, the answers and the study's day together.

    ``waiting``: due and not answered. ``refused``: the record's newest answer is a refusal, also
    of a correction. ``exceptions``: those, and what the record holds under another day.
    """
    if charges is None:
        return row | {"day": day}
    answers = from_text(row["answers"])
    counts = Counter[str](studies=1, total_cents=cents(charges.total_with_tax or charges.total))
    for entry in charges.ledger:
        answer = answers.get(entry.posting_key)
        if answer is None:
            counts["waiting"] += 1
            counts["waiting_cents"] += cents(entry.signed_amount)
        elif answer.outcome is PostingOutcome.ACCEPTED:
            counts["posted_cents"] += cents(entry.signed_amount)
    counts["refused"] = sum(one.outcome is PostingOutcome.REJECTED for one in answers.values())
    counts["exceptions"] = counts["refused"] + len(charges.moved)
    counts["not_charged"] = len(charges.not_charged)
    return row | {
        "revision": charges.revision,
        "day": day,
        "currency": charges.currency,
        "due": charges.due,
        **{name: counts[name] for name in BILL_COUNTS},
        "exception_day": day if counts["exceptions"] else None,
        "snapshot": charges.model_dump_json(),
    }


def cents(amount: Decimal) -> int:
    """Give an amount of money in hundredths: contracts hold it to the cent."""
    return int(amount.scaleb(2))


def amount_of(cents: int) -> Decimal:
    """Give hundredths as an amount of money; a sum of a database may come as a Decimal."""
    return Decimal(int(cents)).scaleb(-2)


class BillSums:
    """What a batch changes of the totals, summed, as rows to be added to their tables."""

    def __init__(self) -> None:
        self._days: dict[tuple[date, str, str], Counter[str]] = {}
        self._months: dict[tuple[date, str, str], Counter[str]] = {}

    def exchange(self, before: Mapping[str, Any] | None, now: Mapping[str, Any]) -> None:
        """Take a study's old part of the totals away and add the new."""
        for row, sign in ((before, -1), (now, 1)):
            if row is None or row["day"] is None or row["currency"] is None:
                continue
            day, site, currency = row["day"], row["site"], row["currency"]
            for sums in (
                self._days.setdefault((day, site, currency), Counter()),
                self._days.setdefault((day, WHOLE_GROUP, currency), Counter()),
                self._months.setdefault((month_of(day), site, currency), Counter()),
            ):
                for name in BILL_COUNTS:
                    sums[name] += sign * row[name]

    def day_rows(self) -> list[Row]:
        return _rows("day", self._days)

    def month_rows(self) -> list[Row]:
        return _rows("month", self._months)


def _rows(when: str, sums: Mapping[tuple[date, str, str], Counter[str]]) -> list[Row]:
    return [
        {when: day, "site": site, "currency": currency} | {name: told[name] for name in BILL_COUNTS}
        for (day, site, currency), told in sorted(sums.items())
        if any(told.values())
    ]
