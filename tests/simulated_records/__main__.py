"""``python -m tests.simulated_records``: how well reconciliation tells what is true.

50,000 studies by default. ``--calibrate`` counts the weights of matching anew and prints them.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

from services.charges.compared import Class
from tests.simulated_records.calibration import count_weights
from tests.simulated_records.conditions import HELD_OUT, TUNED, Conditions
from tests.simulated_records.month import SimulatedMonth, simulate
from tests.simulated_records.scoring import Score, score

FIRST_HELD_OUT_SEED = 0
FIRST_TUNED_SEED = 1_000


def main() -> int:
    told = _arguments()
    if told.calibrate:
        months = (
            simulate(FIRST_TUNED_SEED + number, conditions)
            for conditions in TUNED.values()
            for number in range(20)
        )
        for name, weight in count_weights(months).items():
            print(f'    "{name}": {weight:.2f},')
        return 0
    share = told.studies // len(TUNED | HELD_OUT)
    good = True
    for name, conditions in (TUNED | HELD_OUT).items():
        title = f"{name} *" if name in HELD_OUT else name
        result = score(months_of(conditions, share))
        good = _print(title, result) and good
    print("\n* conditions held out; all seeds are held out. Every share is invented.")
    return 0 if good else 1


def months_of(conditions: Conditions, studies: int) -> Iterator[SimulatedMonth]:
    """Simulate site after site until there are as many studies."""
    each = conditions.days * conditions.studies_a_day
    for number in range(-(-studies // each)):
        yield simulate(FIRST_HELD_OUT_SEED + number, conditions, f"site-{number:03d}")


def _print(title: str, result: Score) -> bool:
    print(f"\n{title}: {result.studies} studies, {result.lines} lines in the record")
    print(f"  {'class':28s} {'no lines by hand':>26s} {'with lines by hand':>26s}")
    print(
        f"  {'':28s} {'n':>8s} {'prec.':>8s} {'recall':>8s} {'n':>8s} {'prec.':>8s} {'recall':>8s}"
    )
    for kind in Class:
        print(
            f"  {kind.value:28s} {result.posted_true[kind]:8d} "
            f"{result.posted_precision(kind):8.4f} {result.posted_recall(kind):8.4f} "
            f"{result.true[kind]:8d} {result.precision(kind):8.4f} {result.recall(kind):8.4f}"
        )
    hand = result.hand
    print(
        f"  lines by hand: {hand['lines']}; at their patient: precision "
        f"{result.hand_precision:.4f}, recall {result.hand_recall:.4f}; calibration error "
        f"{result.calibration_error:.4f}"
    )
    print(
        f"  lines by hand at another patient: {hand['at another patient']}, "
        f"suggested rightly {hand['suggested rightly']} of {hand['suggested']} suggestions"
    )
    posted = (Class.DOUBLED, Class.MISSING)
    exact = all(
        result.posted_precision(kind) == result.posted_recall(kind) == 1.0 for kind in posted
    )
    return exact and min(result.hand_precision, result.hand_recall) >= 0.98


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.simulated_records", description=__doc__)
    parser.add_argument("--studies", type=int, default=50_000)
    parser.add_argument("--calibrate", action="store_true")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
