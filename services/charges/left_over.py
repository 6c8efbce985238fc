"""Lines and entries that nobody of the same patient explains: moved, or taken off by hand."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal

from schemas.reconciliation import ReconciliationRules
from services.charges import finding_words as words
from services.charges.compared import Class, Expected, Finding, Held

_Likeness = tuple[date, str, int, Decimal]


def perhaps_moved(
    unfilled: Sequence[Expected], loose: Sequence[Held]
) -> list[tuple[Expected, Held]]:
    """Suggest which charge without a line a line by hand at another patient could be.

    Only where day, code, quantity and amount are equal and nobody else could be meant: all the
    charges are of one patient and all the lines of one other. It stays a suggestion: content
    alone is no ground to say whose money it is, and on the simulator half of them are wrong.
    """
    entries: dict[_Likeness, list[Expected]] = defaultdict(list)
    lines: dict[_Likeness, list[Held]] = defaultdict(list)
    for entry in unfilled:
        if entry.corrects is None:
            entries[entry.day, entry.code, entry.quantity, entry.amount].append(entry)
    for line in loose:
        if line.key is None:
            lines[line.day, line.code, line.quantity, line.amount].append(line)
    pairs: list[tuple[Expected, Held]] = []
    for likeness, own in sorted(entries.items()):
        there = lines.get(likeness, [])
        if len({one.patient for one in own}) == len({one.patient for one in there}) == 1:
            pairs += zip(own, there, strict=False)
    return pairs


def cancelled_by_hand(
    findings: list[Finding], loose: list[Held], rules: ReconciliationRules
) -> list[Held]:
    """Pair what is too much with a line by hand that takes just that off again.

    Doubled findings that are so cancelled become matched in place; gives the lines that are left.
    """
    taken_off = [line for line in loose if line.amount < 0 and line.key is None]
    if not taken_off:
        return loose
    gone: set[str] = set()
    patients = {credit.patient for credit in taken_off}
    too_much: dict[str, list[tuple[Held, int | None]]] = {patient: [] for patient in patients}
    for number, finding in enumerate(findings):
        double = finding.held if finding.kind is Class.DOUBLED else None
        if double is not None and double.patient in patients:
            too_much[double.patient].append((double, number))
    for one in loose:
        if one.amount > 0 and one.patient in patients:
            too_much[one.patient].append((one, None))
    for credit in taken_off:
        own = too_much[credit.patient]
        for line, place in sorted(own, key=lambda one: _unlikeness(one[0], credit)):
            if line.line_id in gone or not _cancels(credit, line, rules):
                continue
            if place is None:
                findings.append(_cancelled(line))
            else:
                findings[place] = replace(
                    findings[place], kind=Class.MATCHED, reason=words.CANCELLED
                )
            findings.append(_cancelled(credit))
            gone |= {line.line_id, credit.line_id}
            break
    return [line for line in loose if line.line_id not in gone]


def _cancelled(line: Held) -> Finding:
    return Finding(Class.MATCHED, None, line, words.CANCELLED, by_hand=True)


def _unlikeness(line: Held, credit: Held) -> tuple[bool, int, str]:
    """A person takes off what a person has entered, before what we posted."""
    return line.key is not None, abs((line.day - credit.day).days), line.line_id


def _cancels(credit: Held, line: Held, rules: ReconciliationRules) -> bool:
    return (
        line.code == credit.code
        and line.amount + credit.amount == 0
        and abs((line.day - credit.day).days) <= rules.match_window_days
    )
