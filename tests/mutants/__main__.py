"""``python -m tests.mutants``: put small faults into the pure core; some test must fail for each.

Draws so many of each module by a seed, goes on where it was stopped, and prints a table. Ends with
1 where a mutant survived that is not listed as equivalent.
"""

from __future__ import annotations

import argparse
import os
import sys
from fnmatch import fnmatch
from pathlib import Path

from tests.mutants.modules import GROUPS, MODULES, ROOT, file_of, tests_of
from tests.mutants.mutating import Mutant, mutated, sampled
from tests.mutants.results import Result, Results
from tests.mutants.table import markdown
from tests.mutants.trial import Faulty, Unsound, killed_by, preload


def main() -> int:
    told = _arguments()
    os.chdir(ROOT)
    results = Results(told.out / "results.jsonl")
    chosen = [one for one in MODULES if any(fnmatch(one, glob) for glob in told.only)]
    drawn: dict[str, tuple[list[Mutant], int]] = {}
    if not told.table:
        preload()
    sound = True
    for alike in _by_tests(chosen):
        for module in alike:
            drawn[module] = sampled(module, told.sample, told.seed)
        if not told.table:
            due = [one for m in alike for one in drawn[m][0] if _is_due(one, results, told)]
            try:
                _try(tests_of(alike[0]), due, results)
            except Unsound as error:
                print(f"NOT TRIED: the tests fail without any fault: {error}", flush=True)
                sound = False
    print(markdown(GROUPS, drawn, results, told.seed))
    return 0 if sound and not results.survivors(drawn) else 1


def _by_tests(modules: list[str]) -> list[list[str]]:
    """Put modules together that the same tests concern: these are collected once for all."""
    found: dict[tuple[str, ...], list[str]] = {}
    for module in modules:
        found.setdefault(tuple(tests_of(module)), []).append(module)
    return list(found.values())


def _is_due(mutant: Mutant, results: Results, told: argparse.Namespace) -> bool:
    known = results.of(mutant)
    return known is None or (told.survivors and known.killed_by is None)


def _try(tests: list[str], mutants: list[Mutant], results: Results) -> None:
    if not mutants:
        return
    faulty = [Faulty(one.module, _with(one)) for one in mutants]
    for mutant, by in zip(mutants, killed_by(tests, faulty), strict=True):
        results.add(Result(mutant, by))
        if by is None and mutant.key not in results.equivalent:
            print(f"SURVIVED services/{mutant.module}.py:{mutant.line}")
            print(f"    {mutant.was}\n    {mutant.becomes}", flush=True)
    print(f"{len(mutants)} tried by {', '.join(tests)}", flush=True)


def _with(mutant: Mutant) -> str:
    source = file_of(mutant.module).read_text(encoding="utf-8")
    return mutated(source, mutant.operator, mutant.occurrence)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--sample", type=int, default=12, help="mutants of each module")
    parser.add_argument("--seed", type=int, default=1, help="the same seed, the same mutants")
    parser.add_argument("--only", nargs="+", default=["*"], metavar="GLOB", help="'charges/*'")
    parser.add_argument("--survivors", action="store_true", help="try again what survived")
    parser.add_argument("--table", action="store_true", help="try nothing, print the table")
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "mutants")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
