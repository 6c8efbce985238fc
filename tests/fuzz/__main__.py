"""``python -m tests.fuzz``: feed every parser mutated input; 1 where one broke its promise.

What failed lies in ``tests/out/fuzz`` with its seed; ``--again FILE`` feeds one file alone.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path

from tests.fuzz import campaign
from tests.fuzz.campaign import Options, Report
from tests.fuzz.targets import NAMES, find


def main() -> int:
    told = _arguments()
    if told.again:
        return _again(told.only[0], told.out / told.again)
    if told.atheris:
        from tests.fuzz.guided import guide

        return max(guide(name, told.inputs, told.seconds, told.out) for name in told.only)
    options = Options(told.inputs, told.seconds, told.seed, told.out)
    _say(f"seed {told.seed}, up to {told.inputs} inputs for each parser")
    _say(
        f"{'parser':18} {'inputs':>8} {'taken':>7} {'refused':>8} {'/s':>7} {'CPU most':>9} "
        f"{'grown':>7}"
    )
    reports = []
    for name in told.only:
        reports.append(campaign.run(find(name), options))
        _show(reports[-1])
    told.out.mkdir(parents=True, exist_ok=True)
    summary = json.dumps([asdict(report) for report in reports], indent=1)
    (told.out / "report.json").write_text(summary, encoding="utf-8")
    return 0 if all(report.is_good for report in reports) else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--only", nargs="+", choices=NAMES, default=list(NAMES), metavar="NAME")
    parser.add_argument("--inputs", type=int, default=100_000, help="for each parser")
    parser.add_argument("--seconds", type=float, help="at most so long for each parser")
    parser.add_argument("--seed", type=int, default=1, help="the same seed, the same inputs")
    parser.add_argument("--out", type=Path, default=campaign.OUT)
    parser.add_argument("--again", type=Path, metavar="FILE", help="feed one file to one parser")
    parser.add_argument(
        "--atheris", action="store_true", help="let coverage guide it, where no socket takes part"
    )
    return parser.parse_args()


def _again(name: str, file: Path) -> int:
    target = find(name)
    campaign.watch_hidden()
    with campaign.work_folder() as folder:
        ready = target.prepare(folder)
        try:
            _say(campaign.feed(ready, file.read_bytes(), target.limit_s))
        finally:
            ready.end()
    return 0


def _show(report: Report) -> None:
    rate = report.inputs / report.seconds if report.seconds else 0.0
    _say(
        f"{report.name:18} {report.inputs:8} {report.taken:7} {report.refused:8} {rate:7.0f} "
        f"{report.slowest_ms:6.0f} ms {report.grown_mb:4.0f} MB"
    )
    if report.missing:
        _say(f"    missing: {report.missing}")
    for failure in report.failures:
        _say(f"    {failure.count} x {failure.key} (first: {failure.file or failure.index})")


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
