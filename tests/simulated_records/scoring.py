"""How often reconciliation says what is true: precision and recall for each class."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

from schemas.reconciliation import load_reconciliation_rules
from services.charges.compared import Class, Expected, Finding, Held
from services.charges.control_totals import control_totals
from services.charges.reconcile import reconcile
from tests.simulated_records.month import SimulatedMonth, Truth

RULES = load_reconciliation_rules()


@dataclass(slots=True)
class Score:
    """Counts over months.

    The ``posted`` ones are over patients for whom staff entered nothing by hand: there our keys
    alone decide. ``hand`` counts lines that staff entered, by what became of them.
    """

    studies: int = 0
    lines: int = 0
    told: Counter[Class] = field(default_factory=Counter)
    true: Counter[Class] = field(default_factory=Counter)
    right: Counter[Class] = field(default_factory=Counter)
    posted_told: Counter[Class] = field(default_factory=Counter)
    posted_true: Counter[Class] = field(default_factory=Counter)
    posted_right: Counter[Class] = field(default_factory=Counter)
    hand: Counter[str] = field(default_factory=Counter)
    confidences: list[tuple[float, bool]] = field(default_factory=list)

    def precision(self, kind: Class) -> float:
        return self.right[kind] / self.told[kind] if self.told[kind] else 1.0

    def recall(self, kind: Class) -> float:
        return self.right[kind] / self.true[kind] if self.true[kind] else 1.0

    def posted_precision(self, kind: Class) -> float:
        return self.posted_right[kind] / self.posted_told[kind] if self.posted_told[kind] else 1.0

    def posted_recall(self, kind: Class) -> float:
        return self.posted_right[kind] / self.posted_true[kind] if self.posted_true[kind] else 1.0

    @property
    def hand_precision(self) -> float:
        """Of the lines by hand that were explained by work, how many rightly."""
        told = self.hand["explained"]
        return self.hand["explained rightly"] / told if told else 1.0

    @property
    def hand_recall(self) -> float:
        """Of the lines by hand that work of their own patient explains, how many were so."""
        true = self.hand["explicable"]
        return self.hand["explained rightly"] / true if true else 1.0

    @property
    def calibration_error(self) -> float:
        """Expected calibration error over ten bins of confidence."""
        bins: dict[int, list[tuple[float, bool]]] = {}
        for confidence, right in self.confidences:
            bins.setdefault(min(int(confidence * 10), 9), []).append((confidence, right))
        total = len(self.confidences) or 1
        return sum(
            abs(sum(c for c, _ in rows) - sum(right for _, right in rows)) / total
            for rows in bins.values()
        )


def score(months: Iterable[SimulatedMonth]) -> Score:
    """Reconcile months and count; the control totals are proven along the way."""
    counts = Score()
    for month in months:
        as_of = month.last_day + timedelta(days=40)
        findings = reconcile(month.books, RULES, as_of)
        control_totals(month.books.site, month.imaged, month.books, findings, month.days)
        _count(counts, month, findings)
    return counts


def findings_of(month: SimulatedMonth, as_of: date | None = None) -> tuple[Finding, ...]:
    return reconcile(month.books, RULES, as_of or month.last_day + timedelta(days=40))


def _count(counts: Score, month: SimulatedMonth, findings: Iterable[Finding]) -> None:
    """Compare class by class. Subjects of equal content cannot be told apart, nor need be."""
    truth = month.truth
    counts.studies += len(month.imaged)
    counts.lines += len(month.books.held)
    entries = {one.key: one for one in month.books.expected}
    lines = {one.line_id: one for one in month.books.held}
    true: dict[_Content, Counter[Class]] = defaultdict(Counter)
    for subject, kind in truth.class_of.items():
        entry = entries.get(subject)
        true[_content(entry if entry is not None else lines[subject])][kind] += 1
    told: dict[_Content, Counter[Class]] = defaultdict(Counter)
    for finding in findings:
        one = finding.expected or finding.held
        assert one is not None
        told[_content(one)][finding.kind] += 1
    entry_of = {line: entries[key] for key, line in truth.line_of.items()}
    touched = {lines[line].patient for line in truth.hand}
    for content in true.keys() | told.keys():
        counts.told += told[content]
        counts.true += true[content]
        counts.right += told[content] & true[content]
        if content[1] not in touched:
            counts.posted_told += told[content]
            counts.posted_true += true[content]
            counts.posted_right += told[content] & true[content]
    for finding in findings:
        if finding.held is not None and finding.held.line_id in truth.hand:
            _count_hand(counts, finding, finding.held, truth, entry_of)


_Content = tuple[str, str, object, str, object]


def _content(one: Expected | Held) -> _Content:
    """Tell entries and lines of ours from lines that staff entered."""
    whose = "hand" if isinstance(one, Held) and one.key is None else "ours"
    return whose, one.patient, one.day, one.code, one.amount


def _count_hand(
    counts: Score, finding: Finding, line: Held, truth: Truth, entry_of: Mapping[str, Expected]
) -> None:
    """A line by hand is explained where it is said to be, or to repeat, a piece of work.

    One that was entered at another patient has no work there: it is counted by itself, with how
    often the suggestion named its charge.
    """
    suggested = "perhaps it is" in finding.reason
    counts.hand["lines"] += 1
    counts.hand["suggested"] += suggested
    if line.line_id in truth.moved:
        counts.hand["at another patient"] += 1
        named = f" {truth.moved[line.line_id]} " in finding.reason
        counts.hand["suggested rightly"] += suggested and named
        return
    meant = entry_of.get(line.line_id)
    explicable = meant is not None or truth.class_of[line.line_id] is not Class.UNSUPPORTED
    explained = finding.kind is not Class.UNSUPPORTED
    if meant is not None:
        said = finding.expected
        right = said is not None and _content(said) == _content(meant)
    else:
        right = truth.class_of[line.line_id] is finding.kind
    counts.hand["explicable"] += explicable
    counts.hand["explained"] += explained
    counts.hand["explained rightly"] += explained and right
    if explained and finding.expected is not None:
        counts.confidences.append((finding.confidence, right))
