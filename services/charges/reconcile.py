"""Imaged against posted against held: every entry and every line of a site, explained once.

Pure, and the same for any order of its input. Our key decides first, then a person's word, then
content; what nothing explains is missing or unsupported.
"""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date
from typing import TypeVar

from schemas.reconciliation import ReconciliationRules
from services.charges import finding_words as words
from services.charges.compared import Class, Expected, Finding, Held, Posted, SiteBooks
from services.charges.corrected import with_corrections
from services.charges.left_over import cancelled_by_hand, perhaps_moved
from services.charges.matching import best_double, match_by_hand

Row = TypeVar("Row", Expected, Held)


def reconcile(books: SiteBooks, rules: ReconciliationRules, as_of: date) -> tuple[Finding, ...]:
    """Compare a site's books; ``as_of`` is the day from whose end lateness is told.

    The findings are in order of day, patient, key and line. Raises ValueError where a posting
    key or a line id is there twice: the books are no sets then.
    """
    entries = {entry.key: entry for entry in sorted(books.expected, key=lambda one: one.key)}
    lines = sorted(books.held, key=lambda one: one.line_id)
    if len(entries) != len(books.expected):
        raise ValueError(f"{books.site}: expected each posting key once")
    if len({line.line_id for line in lines}) != len(lines):
        raise ValueError(f"{books.site}: expected each line id once")
    work = _Work(rules, as_of)
    unfilled, loose = _by_key(work, books, entries, lines)
    unfilled = _drop_unposted_pairs(work, entries, unfilled)
    unfilled, loose = _by_content(work, unfilled, loose)
    loose = _doubles(work, entries, loose)
    loose = cancelled_by_hand(work.findings, loose, rules)
    moved = perhaps_moved(unfilled, loose)
    line_of = {entry.key: line for entry, line in moved}
    entry_of = {line.line_id: entry for entry, line in moved}
    for line in loose:
        work.unsupported(line, entry_of.get(line.line_id))
    for entry in unfilled:
        work.unfilled(entry, line_of.get(entry.key))
    settled = with_corrections(work.findings, books.expected)
    return tuple(sorted(settled, key=_order))


def _order(finding: Finding) -> tuple[date, str, str, str]:
    key = finding.expected.key if finding.expected is not None else ""
    line = finding.held.line_id if finding.held is not None else ""
    return finding.day, finding.patient, key, line


class _Work:
    """The findings so far, and which entries have a line."""

    def __init__(self, rules: ReconciliationRules, as_of: date) -> None:
        self.rules = rules
        self.as_of = as_of
        self.findings: list[Finding] = []

    def add(
        self,
        kind: Class,
        entry: Expected | None,
        line: Held | None,
        reason: str,
        confidence: float = 1.0,
        *,
        by_hand: bool = False,
    ) -> None:
        self.findings.append(
            Finding(kind, entry, line, reason, round(confidence, 4), by_hand=by_hand)
        )

    def pair(
        self, entry: Expected, line: Held, confidence: float = 1.0, *, by_hand: bool = False
    ) -> None:
        """Say what a line is to the entry that it stands for."""
        kind, reason = _compare(entry, line, self.rules)
        if by_hand:
            reason = words.by_hand(reason, confidence)
        self.add(kind, entry, line, reason, confidence, by_hand=by_hand)

    def unsupported(self, line: Held, perhaps: Expected | None) -> None:
        """Say what a line is that nothing explains."""
        reason = words.UNKNOWN_KEY if line.key is not None else words.NO_SUPPORT
        if perhaps is not None:
            reason = words.perhaps_entry(reason, perhaps)
        self.add(Class.UNSUPPORTED, None, line, reason, by_hand=line.key is None)

    def unfilled(self, entry: Expected, perhaps: Held | None) -> None:
        """Say what an entry is that has no line."""
        kind, reason = self._unfilled(entry)
        if perhaps is not None:
            reason = words.perhaps_line(reason, perhaps)
        self.add(kind, entry, None, reason)

    def _unfilled(self, entry: Expected) -> tuple[Class, str]:
        if entry.state is Posted.REJECTED:
            return Class.MISSING, words.rejected(entry)
        if entry.state is Posted.ACCEPTED:
            return Class.MISSING, words.LOST
        if (self.as_of - entry.day).days > self.rules.late_after_days:
            return Class.LATE, words.not_posted(entry, self.as_of)
        return Class.OPEN, words.OPEN


def _by_key(
    work: _Work, books: SiteBooks, entries: dict[str, Expected], lines: list[Held]
) -> tuple[list[Expected], list[Held]]:
    """Pair by our key or by a person's word; give the entries without line, the lines without."""
    of_key: dict[str, list[Held]] = {}
    loose: list[Held] = []
    assigned = books.assigned
    for line in lines:
        key = assigned.get(line.line_id, line.key) if assigned else line.key
        if key is not None and key in entries:
            if key in of_key:
                of_key[key].append(line)
            else:
                of_key[key] = [line]
        else:
            loose.append(line)
    unfilled: list[Expected] = []
    for key, entry in entries.items():
        own = of_key.get(key)
        if own is None:
            unfilled.append(entry)
            continue
        if len(own) > 1:
            # The copy that is as we posted it stands; of several the first that was entered.
            own.sort(key=lambda line: _unlikeness(entry, line))
        work.pair(entry, own[0], by_hand=own[0].line_id in assigned)
        for line in own[1:]:
            reason = words.doubled_key(own[0])
            work.add(Class.DOUBLED, None, line, reason, by_hand=line.line_id in assigned)
    return unfilled, loose


def _unlikeness(entry: Expected, line: Held) -> tuple[bool, bool, bool, bool, date, str]:
    return (
        line.key != entry.key,
        line.patient != entry.patient,
        line.code != entry.code or line.amount != entry.amount,
        line.day != entry.day,
        line.entered_on or date.max,
        line.line_id,
    )


def _compare(entry: Expected, line: Held, rules: ReconciliationRules) -> tuple[Class, str]:
    """Tell what is different between an entry and its line, the gravest first."""
    if line.patient != entry.patient:
        return Class.OTHER_PATIENT, words.other_patient(entry, line)
    if line.code != entry.code:
        return Class.CODE_CHANGED, words.other_code(entry, line)
    if line.amount != entry.amount or line.quantity != entry.quantity:
        return Class.AMOUNT_CHANGED, words.other_amount(entry, line)
    if not entry.supported:
        return Class.UNSUPPORTED, words.NO_IMAGE_NOW
    return _compare_days(entry, line, rules)


def _compare_days(entry: Expected, line: Held, rules: ReconciliationRules) -> tuple[Class, str]:
    last = max(line.entered_on or line.day, line.day)
    if (last - entry.day).days > rules.late_after_days:
        return Class.LATE, words.came_late(entry, last)
    if line.day != entry.day:
        return Class.MATCHED, words.other_day(entry, line)
    return Class.MATCHED, words.TOUCHED if line.edited else words.MATCHED


def _drop_unposted_pairs(
    work: _Work, entries: dict[str, Expected], unfilled: list[Expected]
) -> list[Expected]:
    """A charge and its credit that are both not in the record ask for nothing."""
    keys = {entry.key for entry in unfilled}
    dropped: set[str] = set()
    for credit in unfilled:
        charge = entries.get(credit.reverses) if credit.reverses else None
        if charge is None or charge.key not in keys or charge.amount + credit.amount != 0:
            continue
        if charge.patient != credit.patient or charge.code != credit.code:
            continue
        dropped |= {charge.key, credit.key}
        for entry in (charge, credit):
            work.add(Class.MATCHED, entry, None, words.NEVER_POSTED)
    return [entry for entry in unfilled if entry.key not in dropped]


def _by_content(
    work: _Work, unfilled: list[Expected], loose: list[Held]
) -> tuple[list[Expected], list[Held]]:
    """Pair lines without our key with entries without a line."""
    matches = match_by_hand(unfilled, [line for line in loose if line.key is None], work.rules)
    for match in matches:
        work.pair(match.expected, match.held, match.confidence, by_hand=True)
    return (
        _without(unfilled, [match.expected for match in matches]),
        _without(loose, [match.held for match in matches]),
    )


def _doubles(work: _Work, entries: dict[str, Expected], loose: list[Held]) -> list[Held]:
    """Find lines that repeat a charge that stands in the record already."""
    if not loose:
        return loose
    reversed_keys = {entry.reverses for entry in entries.values()}
    patients = {line.patient for line in loose}
    standing: dict[str, list[Expected]] = defaultdict(list)
    for finding in work.findings:
        entry = finding.expected
        if entry is None or finding.held is None or entry.patient not in patients:
            continue
        if entry.key not in reversed_keys and entry.reverses is None and entry.corrects is None:
            standing[entry.patient].append(entry)
    left: list[Held] = []
    for line in loose:
        double = best_double(standing[line.patient], line, work.rules) if line.key is None else None
        if double is None:
            left.append(line)
        else:
            reason = words.by_hand(words.doubled_content(double[0]), double[1])
            work.add(Class.DOUBLED, None, line, reason, double[1], by_hand=True)
    return left


def _without(rows: list[Row], taken: Iterable[Row]) -> list[Row]:
    """Leave out what was taken, by posting key or line id: the first field of each."""
    gone = {row[0] for row in taken}
    return [row for row in rows if row[0] not in gone]
