"""What is still too much or too little once the corrections decided so far are counted."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from services.charges import finding_words as words
from services.charges.compared import ZERO, Class, Expected, Finding, Leg

_CANCELLED_REASONS = {words.NEVER_POSTED, words.CANCELLED}
"""Such findings come in pairs that are nothing together; neither asks for anything."""


def with_corrections(findings: Sequence[Finding], expected: Sequence[Expected]) -> list[Finding]:
    """Give the findings with what is outstanding for each.

    A correction counts at the finding of the line or entry that it was decided for, as if it
    were held; whether it is held, its own finding tells. One whose line is gone is unsupported.
    """
    corrections: dict[str, list[Expected]] = defaultdict(list)
    for one in expected:
        if one.corrects is not None:
            corrections[one.corrects].append(one)
    if not corrections:
        return [_with_legs(finding, ()) for finding in findings]
    places = {place for finding in findings for place in _names(finding)}
    settled: list[Finding] = []
    for finding in findings:
        own = [one for name in _names(finding) for one in corrections.get(name, ())]
        entry = finding.expected
        if entry is not None and entry.corrects is not None and entry.corrects not in places:
            own.append(entry)
            dangling = replace(finding, kind=Class.UNSUPPORTED, reason=words.DANGLING)
            settled.append(_with_legs(dangling, own))
        else:
            settled.append(_with_legs(finding, own))
    return settled


def _names(finding: Finding) -> tuple[str, ...]:
    names = () if finding.expected is None else (finding.expected.key,)
    return names if finding.held is None else (*names, finding.held.line_id)


def _with_legs(finding: Finding, corrections: Sequence[Expected]) -> Finding:
    if finding.kind is Class.MATCHED and not corrections:
        return finding
    sums: dict[tuple[str, str], Decimal] = defaultdict(lambda: ZERO)
    if finding.reason not in _CANCELLED_REASONS:
        if finding.held is not None:
            sums[finding.held.patient, finding.held.code] += finding.held.amount
        if finding.expected is not None and finding.reason != words.NO_IMAGE_NOW:
            sums[finding.expected.patient, finding.expected.code] -= finding.expected.amount
    for one in corrections:
        sums[one.patient, one.code] += one.amount
    legs = tuple(
        Leg(patient, code, amount) for (patient, code), amount in sorted(sums.items()) if amount
    )
    keys = tuple(sorted(one.key for one in corrections))
    if finding.kind is Class.MATCHED and legs:
        finding = replace(finding, kind=Class.AMOUNT_CHANGED, reason=words.CHANGED_AFTER)
    return replace(finding, outstanding=legs, corrections=keys)
