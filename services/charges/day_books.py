"""One day's books as they are told: sums that balance, and the exceptions with their evidence.

Pure.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from schemas.conclusions import (
    BooksReconciled,
    ControlSums,
    DecisionTold,
    DifferenceSum,
    ExceptionFound,
)
from schemas.conclusions.reconciled import MAX_EXCEPTIONS
from services.charges.compared import ZERO, Class, Expected, Finding, Posted, SiteBooks
from services.charges.control_totals import ControlTotals
from services.charges.exceptions import ChargeException, Status

_LONGEST = 2000
"""Characters of a text, an invented bound; the record's own words stand beside the reason that
quotes them."""


@dataclass(frozen=True, slots=True)
class ReadBack:
    """When the record's lines were read.

    ``read_at``: those of each day, where they ever were. ``ever``: the lines of any day were read.
    ``patience``: so long after the record took a posting a line that is not there yet may only not
    have been read; lines that are as they were before are not told again.
    """

    read_at: Mapping[date, datetime]
    ever: bool
    patience: timedelta
    now: datetime

    def settles_at(self, finding: Finding) -> datetime | None:
        """Tell from when on a charge that the record took and does not show counts as missing.

        None: it counts already, or the finding is none of these.
        """
        entry = finding.expected
        if (
            entry is None
            or finding.kind is not Class.MISSING
            or finding.held is not None
            or entry.state is not Posted.ACCEPTED
        ):
            return None
        if not self.ever:
            return datetime.max.replace(tzinfo=self.now.tzinfo)
        took = entry.accepted_at
        read = self.read_at.get(entry.day)
        if took is None or (read is not None and read >= took):
            return None
        at = took + self.patience
        return at if at > self.now else None


def books_told(
    books: SiteBooks,
    findings: Sequence[Finding],
    listed: Sequence[ChargeException],
    totals: ControlTotals,
    day: date,
    reading: ReadBack,
) -> BooksReconciled:
    """Tell the books of a day; ``listed`` are its exceptions, ``findings`` those of all days."""
    unread = [
        one.expected
        for one in findings
        if one.expected is not None and one.day == day and reading.settles_at(one) is not None
    ]
    waits = {entry.key for entry in unread}
    found = [one for one in listed if not _is_unread(one, waits)]
    charges = {entry.key: entry for entry in books.expected}
    seen = {one.expected.key for one in findings if one.expected is not None and one.held}
    refused = sum(
        (
            entry.amount
            for entry in books.expected
            if entry.day == day and entry.state is Posted.REJECTED and entry.key not in seen
        ),
        ZERO,
    )
    sums = ControlSums(
        images_seen=totals.images_seen,
        images_charged=totals.images_charged,
        images_not_charged=totals.images_not_charged,
        priced=totals.priced,
        not_due=totals.not_due,
        due=totals.due,
        corrections=totals.corrections,
        posted=totals.posted,
        waiting=totals.open - refused,
        refused=refused,
        differences=tuple(
            DifferenceSum(kind=kind, amount=amount)
            for kind in Class
            if (amount := totals.differences.get(kind, ZERO))
        ),
        held=totals.held,
        unread=sum((entry.amount for entry in unread), ZERO),
        outstanding=sum((one.at_stake for one in found if one.status is not Status.ACCEPTED), ZERO),
    )
    return BooksReconciled(
        currency=books.currency,
        totals=sums,
        exceptions=tuple(
            exception_told(one, charges.get(_key_of(one))) for one in found[:MAX_EXCEPTIONS]
        ),
        unlisted=len(found[MAX_EXCEPTIONS:]),
    )


def _is_unread(listed: ChargeException, waits: set[str]) -> bool:
    entry = listed.finding.expected
    return entry is not None and listed.finding.held is None and entry.key in waits


def _key_of(listed: ChargeException) -> str:
    line = listed.finding.held
    return line.key or "" if line is not None else ""


def exception_told(listed: ChargeException, repeated: Expected | None) -> ExceptionFound:
    """Lay one exception out with its evidence and its newest decision.

    ``repeated`` is the charge whose key its line carries, also where another line stands for it.
    """
    finding = listed.finding
    entry, line = finding.expected, finding.held
    charge = entry or repeated
    shown = entry or line
    if shown is None:
        raise ValueError("a finding holds an entry, a line or both")
    return ExceptionFound(
        exception_id=listed.id,
        kind=finding.kind,
        reason=finding.reason[:_LONGEST],
        patient_id=finding.patient,
        code=shown.code,
        quantity=shown.quantity,
        due=entry.amount if entry is not None else None,
        held=line.amount if line is not None else None,
        at_stake=listed.at_stake,
        study_instance_uid=(charge.study or None) if charge is not None else None,
        posting_key=shown.key,
        line_id=line.line_id if line is not None else None,
        entered_by=line.entered_by if line is not None else None,
        images=charge.images if charge is not None else (),
        record_words=entry.words
        if entry is not None and entry.state is Posted.REJECTED and line is None
        else None,
        by_hand=finding.by_hand,
        confidence=finding.confidence,
        needs_second=listed.needs_second,
        actions=listed.actions,
        status=listed.status,
        decision=_decision(listed),
    )


def _decision(listed: ChargeException) -> DecisionTold | None:
    decision, force = listed.decision, listed.in_force
    if decision is None:
        return None
    return DecisionTold(
        action=decision.action,
        by=decision.person,
        at=decision.at,
        reason=decision.reason,
        posting_key=decision.posting_key,
        second=force.second if force is not None and force.decision == decision else None,
    )
