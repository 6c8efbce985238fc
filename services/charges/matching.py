"""Lines that a person entered without our key: which charge each of them is, and how surely.

Each candidate pair (same patient, same sign, near in day, same family of codes) gets the sum of
what its features tell: the logarithm of how much more often a feature is seen where the line
is that charge than where it is not. Where several compete the exact best assignment is taken.
The weights were counted on the simulator (``python -m tests.simulated_records --calibrate``):
they rest on its invented conditions, not on any hospital.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import exp

from schemas.reconciliation import ReconciliationRules
from services.charges.assignment import best_assignment
from services.charges.compared import Expected, Held

WEIGHTS: Mapping[str, float] = {
    "prior": 1.94,
    "code equal, amount equal": 2.03,
    "code equal, amount near": 1.38,
    "code equal, amount other": 1.91,
    "code of the family, amount equal": 0.84,
    "code of the family, amount near": 0.77,
    "code of the family, amount other": -9.02,
    "day equal": 0.19,
    "day off by 1": -0.70,
    "day off by more": -1.62,
    "quantity equal": 0.00,
    "quantity other": 0.19,
}
"""Natural logarithms of likelihood ratios; ``prior`` is that of a pair before any feature."""

LEAST_CONFIDENCE = 0.5
SURE = 0.9
"""Below this a pair stands, and its reason says that a person should look."""


@dataclass(frozen=True, slots=True)
class HandMatch:
    """A line that was entered by hand, the charge that it is, and how surely (0 to 1)."""

    expected: Expected
    held: Held
    confidence: float


def features_of(entry: Expected, line: Held, rules: ReconciliationRules) -> tuple[str, ...] | None:
    """Name the features of a pair; None where the two cannot be the same charge."""
    days = abs((line.day - entry.day).days)
    if (
        line.patient != entry.patient
        or days > rules.match_window_days
        or (line.amount < 0) != (entry.amount < 0)
    ):
        return None
    if line.code == entry.code:
        code = "code equal"
    elif rules.family_of(line.code) == rules.family_of(entry.code):
        code = "code of the family"
    else:
        return None
    return (
        # Told together: another code at the very same amount is a slip of the code.
        f"{code}, {_amount(entry, line)}",
        ("day equal", "day off by 1")[days] if days < 2 else "day off by more",
        "quantity equal" if line.quantity == entry.quantity else "quantity other",
    )


def log_odds_of(features: Iterable[str]) -> float:
    """Give the logarithm of the odds that a pair with these features is the same charge."""
    return sum((WEIGHTS[name] for name in features), WEIGHTS["prior"])


def confidence_of(features: Iterable[str]) -> float:
    """Give the chance that a pair with these features is the same charge."""
    return 1.0 / (1.0 + exp(-log_odds_of(features)))


def match_by_hand(
    entries: Sequence[Expected], lines: Sequence[Held], rules: ReconciliationRules
) -> list[HandMatch]:
    """Pair lines of any patients with charges that have no line yet; each is used once."""
    by_patient: dict[str, list[Expected]] = defaultdict(list)
    for entry in entries:
        by_patient[entry.patient].append(entry)
    lines_of: dict[str, list[Held]] = defaultdict(list)
    for line in lines:
        if line.patient in by_patient:
            lines_of[line.patient].append(line)
    found: list[HandMatch] = []
    for patient, own in sorted(lines_of.items()):
        found += _match_patient(by_patient[patient], own, rules)
    return found


def best_double(
    entries: Sequence[Expected], line: Held, rules: ReconciliationRules
) -> tuple[Expected, float] | None:
    """Find the charge, in the record already, that a further line repeats: of the same code."""
    best: tuple[Expected, float] | None = None
    for entry in entries:
        features = features_of(entry, line, rules)
        if features is None or entry.code != line.code:
            continue
        confidence = confidence_of(features)
        if best is None or confidence > best[1]:
            best = entry, confidence
    return best if best is not None and best[1] >= LEAST_CONFIDENCE else None


def _match_patient(
    entries: Sequence[Expected], lines: Sequence[Held], rules: ReconciliationRules
) -> list[HandMatch]:
    gains: dict[tuple[int, int], float] = {}
    confidences: dict[tuple[int, int], float] = {}
    for row, line in enumerate(lines):
        for column, entry in enumerate(entries):
            features = features_of(entry, line, rules)
            if features is None:
                continue
            # Even odds are nothing gained, so a pair below them is never chosen.
            gains[row, column] = log_odds_of(features)
            confidences[row, column] = confidence_of(features)
    chosen = best_assignment(gains)
    return [
        HandMatch(entries[column], lines[row], confidences[row, column])
        for row, column in sorted(chosen.items())
    ]


def _amount(entry: Expected, line: Held) -> str:
    if line.amount == entry.amount:
        return "amount equal"
    # Typed for another quantity at the same price each, or a slip of up to a fifth.
    same_price = line.amount * entry.quantity == entry.amount * line.quantity
    if same_price or abs(line.amount - entry.amount) * 5 <= abs(entry.amount):
        return "amount near"
    return "amount other"
