"""``python -m tests.simulated_rooms``: how well linking does, beside two baselines."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any

import yaml

from services.assessment.link_confidence import confidence_map, unmapped
from tests.simulated_rooms.baselines import assigned, nearest_in_time
from tests.simulated_rooms.calibration import fit_map
from tests.simulated_rooms.conditions import FIRST_HELD_OUT_SEED, HELD_OUT, MIXED, TUNED
from tests.simulated_rooms.day import SimulatedDay
from tests.simulated_rooms.scoring import Score, days_of, score_baseline, score_days

CONFIDENCE_MAP = Path(__file__).parents[2] / "services/assessment/link_confidence.yaml"

HEADS = (
    "condition", "linker", "precision", "recall", "cross-patient", "exposures", "to a person",
    "ECE", "ms a day",
)  # fmt: skip


def main() -> int:
    given = _arguments()
    if given.fit:
        write_map(unmapped().model_dump(mode="json"))
        links = score_days(days_of(MIXED, range(given.mixed_days))).raw
        write_map(fit_map(links))
        return 0
    print("  ".join(head.rjust(13) for head in HEADS))
    seeds = range(given.first_seed, given.first_seed + given.days)
    for name in TUNED:
        _rows(name, partial(days_of, name, seeds), baselines=given.baselines)
    for name in HELD_OUT:
        days = partial(days_of, name, seeds, held_out=True)
        _rows(f"{name} *", days, baselines=given.baselines)
    many = range(given.first_seed, given.first_seed + given.mixed_days)
    scores = [
        _rows("mixed", partial(days_of, MIXED, many), baselines=given.baselines),
        _rows("mixed *", partial(days_of, MIXED, many, held_out=True), baselines=given.baselines),
    ]
    print("* conditions held out; all seeds are held out")
    for title, score in zip(("mixed", "mixed *"), scores, strict=True):
        print(f"\nreliability, {title}: links told, mean confidence, share right")
        for count, told, right in score.reliability():
            print(f"{count:8d}  {told:.4f}  {right:.4f}")
    return 0


def write_map(told: dict[str, Any]) -> None:
    """Write the service's map, and let it be read anew."""
    CONFIDENCE_MAP.write_text(yaml.safe_dump(told, sort_keys=False), encoding="utf-8")
    confidence_map.cache_clear()


def _rows(name: str, days: Callable[[], Iterable[SimulatedDay]], *, baselines: bool) -> Score:
    ours = score_days(days())
    _row(name, "ours", ours, f"{ours.calibration_error:.4f}")
    if baselines:
        _row(name, "nearest", score_baseline(days(), nearest_in_time), "-")
        _row(name, "assigned", score_baseline(days(), assigned), "-")
    return ours


def _row(name: str, linker: str, score: Score, calibration: str) -> None:
    cells = (
        name,
        linker,
        f"{score.precision:.5f}",
        f"{score.recall:.4f}",
        f"{score.cross_patient}",
        f"{score.exposures}",
        f"{score.asked:.4f}",
        calibration,
        f"{1000 * score.seconds / max(1, score.days):.1f}" if score.seconds else "-",
    )
    print("  ".join(cell.rjust(13) for cell in cells), flush=True)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.simulated_rooms", description=__doc__)
    parser.add_argument("--days", type=int, default=100, help="room-days of each condition")
    parser.add_argument("--mixed-days", type=int, default=1600, help="room-days of each mix")
    parser.add_argument("--first-seed", type=int, default=FIRST_HELD_OUT_SEED)
    parser.add_argument("--no-baselines", dest="baselines", action="store_false")
    parser.add_argument("--fit", action="store_true", help="write link_confidence.yaml anew")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
