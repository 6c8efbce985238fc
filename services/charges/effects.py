"""What a decision in force does to the record: postings again, corrections, assignments. Pure."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from schemas.facts.record_lines import ExceptionAction
from services.charges.compared import Class, Finding, Posted
from services.charges.exceptions import ChargeException, InForce


@dataclass(frozen=True, slots=True)
class Correction:
    """A line that takes off what is too much, or adds what is too little; ``amount`` is signed.

    ``corrects`` is the line, or else the entry, that it was decided for.
    """

    key: str
    patient: str
    day: date
    code: str
    amount: Decimal
    corrects: str
    study: str | None


@dataclass(frozen=True, slots=True)
class Effect:
    """All that follows from one decision, with what it was decided on."""

    exception_id: str
    kind: Class
    day: date
    at_stake: Decimal
    shortfall: Decimal
    force: InForce
    again: tuple[str, ...] = ()
    corrections: tuple[Correction, ...] = ()
    assigned: tuple[str, str] | None = None


def effects_of(
    listed: Iterable[ChargeException], tried: Collection[str] = ()
) -> tuple[Effect, ...]:
    """Give what the decisions in force do, in order.

    ``tried`` are the exceptions whose entry went out again before: one that was refused even so
    gets a line of its own.
    """
    return tuple(
        _effect(one, one.in_force, tried=one.id in tried)
        for one in listed
        if one.in_force is not None
    )


def _effect(listed: ChargeException, force: InForce, *, tried: bool) -> Effect:
    finding = listed.finding
    action = force.decision.action
    again: tuple[str, ...] = ()
    corrections: tuple[Correction, ...] = ()
    assigned: tuple[str, str] | None = None
    if action is ExceptionAction.ASSIGN and finding.held is not None:
        assigned = (finding.held.line_id, force.decision.posting_key or "")
    elif action is ExceptionAction.POST and _goes_out_again(finding, tried=tried):
        # The same key again: a record that holds it after all knows it by that.
        again = (finding.expected.key,) if finding.expected is not None else ()
    elif action in {ExceptionAction.POST, ExceptionAction.REVERSE}:
        corrections = _corrections(listed.id, finding)
    return Effect(
        listed.id,
        finding.kind,
        finding.day,
        listed.at_stake,
        -sum((leg.amount for leg in finding.outstanding), Decimal("0.00")),
        force,
        again,
        corrections,
        assigned,
    )


def _goes_out_again(finding: Finding, *, tried: bool) -> bool:
    """A record that refused a credit refuses it again; a line by itself it may take."""
    entry = finding.expected
    if finding.held is not None or entry is None:
        return False
    return entry.state is not Posted.REJECTED or not (tried or entry.amount < 0)


def _corrections(name: str, finding: Finding) -> tuple[Correction, ...]:
    """Bring every leg to nothing: credits first, so that a record is never charged twice."""
    entry, line = finding.expected, finding.held
    tag = line.line_id if line is not None else entry.key if entry is not None else ""
    legs = sorted(finding.outstanding, key=lambda leg: (-leg.amount, leg.patient, leg.code))
    return tuple(
        Correction(
            key=f"correction:{name}:{number}",
            patient=leg.patient,
            day=line.day if line is not None and leg.amount > 0 else finding.day,
            code=leg.code,
            amount=-leg.amount,
            corrects=tag,
            study=entry.study if entry is not None else None,
        )
        for number, leg in enumerate(legs, start=1)
    )
