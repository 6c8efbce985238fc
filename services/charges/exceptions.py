"""The worklist: what a person has to settle, what may be done about it, and what was decided.

Pure functions of the findings and of the set of decisions, in any order.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from hashlib import sha256

from schemas.conclusions.reconciled import Status
from schemas.facts.record_lines import ExceptionAction
from schemas.group import Role
from schemas.reconciliation import ReconciliationRules
from services.charges.compared import Class, Finding

__all__ = [
    "MAY_COUNTERSIGN",
    "MAY_DECIDE",
    "Agreement",
    "ChargeException",
    "Decision",
    "InForce",
    "Status",
    "actions_of",
    "aging",
    "exception_id",
    "in_force",
    "is_exception",
    "worklist",
]

MAY_DECIDE = frozenset({Role.BILLING, Role.LEAD})
MAY_COUNTERSIGN = frozenset({Role.LEAD})


@dataclass(frozen=True, slots=True)
class Decision:
    """What one person said about an exception, with the roles that the group gives the person."""

    exception_id: str
    action: ExceptionAction
    person: str
    roles: frozenset[Role]
    at: datetime
    reason: str | None = None
    posting_key: str | None = None


@dataclass(frozen=True, slots=True)
class Agreement:
    """A second person's word for a decision."""

    exception_id: str
    action: ExceptionAction
    person: str
    roles: frozenset[Role]
    at: datetime


@dataclass(frozen=True, slots=True)
class InForce:
    """A decision that takes effect, since when, and who countersigned it, where that is needed."""

    decision: Decision
    since: datetime
    second: str | None = None


@dataclass(frozen=True, slots=True)
class ChargeException:
    """One finding that a person has to settle. ``at_stake`` is an amount, never negative."""

    id: str
    finding: Finding
    at_stake: Decimal
    needs_second: bool
    actions: tuple[ExceptionAction, ...]
    age_days: int
    bucket: str
    status: Status
    decision: Decision | None = None
    in_force: InForce | None = None


def worklist(
    site: str,
    findings: Iterable[Finding],
    rules: ReconciliationRules,
    decisions: Iterable[Decision],
    agreements: Iterable[Agreement],
    as_of: date,
) -> tuple[ChargeException, ...]:
    """List the exceptions in order of day; those that are accepted stay, with their status."""
    decided: dict[str, list[Decision]] = defaultdict(list)
    for decision in decisions:
        decided[decision.exception_id].append(decision)
    agreed: dict[str, list[Agreement]] = defaultdict(list)
    for agreement in agreements:
        agreed[agreement.exception_id].append(agreement)
    listed: list[ChargeException] = []
    for finding in findings:
        if not is_exception(finding):
            continue
        name = exception_id(site, finding)
        at_stake = finding.at_stake
        needs_second = at_stake > rules.four_eyes_above
        actions = actions_of(finding)
        valid = [one for one in decided[name] if one.action in actions and _may_decide(one)]
        valid.sort(key=_when)
        force = in_force(valid, agreed[name], needs_second=needs_second)
        age = max((as_of - finding.day).days, 0)
        listed.append(
            ChargeException(
                name,
                finding,
                at_stake,
                needs_second,
                actions,
                age,
                rules.age_bucket(age),
                _status(valid, force),
                valid[-1] if valid else None,
                force,
            )
        )
    return tuple(listed)


def is_exception(finding: Finding) -> bool:
    """Tell whether a person has to settle a finding; one that was put right asks for nothing."""
    if finding.kind in {Class.MATCHED, Class.OPEN}:
        return False
    return bool(finding.outstanding) or not finding.corrections


def exception_id(site: str, finding: Finding) -> str:
    """Name an exception by its evidence, so that it is a new one once the evidence is another."""
    entry, line = finding.expected, finding.held
    parts = [site, entry.key if entry is not None else ""]
    if line is not None:
        parts += [line.line_id, line.patient, line.code, str(line.quantity), f"{line.amount:.2f}"]
        parts += [line.day.isoformat()]
    else:
        parts.append("-")
    parts += [f"{leg.patient}|{leg.code}|{leg.amount:.2f}" for leg in finding.outstanding]
    parts += finding.corrections
    return sha256("\x1f".join(parts).encode()).hexdigest()[:16]


def actions_of(finding: Finding) -> tuple[ExceptionAction, ...]:
    """Give what may be done about a finding."""
    post, reverse = ExceptionAction.POST, ExceptionAction.REVERSE
    accept, assign = ExceptionAction.ACCEPT, ExceptionAction.ASSIGN
    if finding.kind is Class.MISSING or finding.held is None:
        return (post, accept)
    if finding.kind is Class.DOUBLED:
        return (reverse, accept)
    if finding.kind is Class.UNSUPPORTED:
        return (reverse, assign, accept) if finding.by_hand else (reverse, accept)
    return (post, accept) if finding.outstanding else (accept,)


def in_force(
    decisions: Sequence[Decision], agreements: Iterable[Agreement], *, needs_second: bool
) -> InForce | None:
    """Give the newest decision that takes effect, or None.

    ``decisions`` are in order of time. Above the group's amount a decision waits for another
    person, of a role that may countersign, who agrees to the same action.
    """
    agreed = sorted(agreements, key=lambda one: (one.at, one.person))
    for decision in reversed(decisions):
        if not needs_second:
            return InForce(decision, decision.at)
        for one in agreed:
            if (
                one.action is decision.action
                and one.person != decision.person
                and one.at >= decision.at
                and one.roles & MAY_COUNTERSIGN
            ):
                return InForce(decision, one.at, one.person)
    return None


def aging(listed: Iterable[ChargeException]) -> dict[str, tuple[int, Decimal]]:
    """Count what is not settled and sum what is at stake, for each bucket of age."""
    buckets: dict[str, tuple[int, Decimal]] = {}
    for one in sorted(listed, key=lambda one: one.age_days):
        if one.status is not Status.ACCEPTED:
            count, amount = buckets.get(one.bucket, (0, Decimal("0.00")))
            buckets[one.bucket] = count + 1, amount + one.at_stake
    return buckets


def _may_decide(decision: Decision) -> bool:
    return bool(decision.roles & MAY_DECIDE)


def _when(decision: Decision) -> tuple[datetime, str, str]:
    return decision.at, decision.person, decision.action.value


def _status(decisions: Sequence[Decision], force: InForce | None) -> Status:
    if force is not None:
        accepted = force.decision.action is ExceptionAction.ACCEPT
        return Status.ACCEPTED if accepted else Status.UNDER_WAY
    return Status.WAITS_FOR_SECOND if decisions else Status.OPEN
