"""Count the weights of matching on simulated months: how often each feature is seen, and where."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from math import log

from services.charges.matching import features_of
from tests.simulated_records.month import SimulatedMonth
from tests.simulated_records.scoring import RULES


def count_weights(months: Iterable[SimulatedMonth]) -> dict[str, float]:
    """Give the logarithms of likelihood ratios, and of the prior, over all candidate pairs.

    A candidate is a line by hand and a charge of its patient that has no line of ours. Charges
    that are equal to the one that is meant cannot be told from it and count for nothing.
    """
    same: Counter[str] = Counter()
    other: Counter[str] = Counter()
    pairs = strangers = 0
    for month in months:
        truth = month.truth
        unfilled: dict[str, list[int]] = {}
        ours = {line.key for line in month.books.held if line.key is not None}
        for place, entry in enumerate(month.books.expected):
            if entry.key not in ours:
                unfilled.setdefault(entry.patient, []).append(place)
        meant = {
            truth.line_of[one.key]: (one.day, one.code, one.amount)
            for one in month.books.expected
            if one.key in truth.line_of
        }
        for line in month.books.held:
            if line.key is not None:
                continue
            for place in unfilled.get(line.patient, ()):
                entry = month.books.expected[place]
                features = features_of(entry, line, RULES)
                if features is None:
                    continue
                if truth.line_of.get(entry.key) == line.line_id:
                    pairs += 1
                    same.update(features)
                elif meant.get(line.line_id) != (entry.day, entry.code, entry.amount):
                    strangers += 1
                    other.update(features)
    weights = {"prior": log((pairs + 1) / (strangers + 1))}
    for name in sorted(same.keys() | other.keys()):
        share = (same[name] + 0.5) / (pairs + 1)
        elsewhere = (other[name] + 0.5) / (strangers + 1)
        weights[name] = log(share / elsewhere)
    return {name: round(weight, 2) for name, weight in weights.items()}
