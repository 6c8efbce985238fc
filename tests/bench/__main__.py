"""``python -m tests.bench``: measure, print the tables, write ``tests/out/bench.json``."""

from __future__ import annotations

import argparse
import logging
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import structlog

from tests.bench import (
    chain,
    chairside,
    demo_time,
    dose,
    dose_report,
    http_facts,
    images,
    latency,
    linking,
    memory,
    messages,
    postings,
    reconcile,
    stored_facts,
    sustained,
)
from tests.bench.figures import EARLIER_DAYS, RATES, BenchError, Figure, Options
from tests.bench.machine import library_versions, machine_facts, server_versions
from tests.bench.table import NOISE, print_facts, print_figure, say, write_results
from tests.bench.workplace import ROOT, Workplace

BENCHES: dict[str, Callable[[Options, Workplace], Figure]] = {
    "images": images.measure,
    "http-facts": http_facts.measure,
    "messages": messages.measure,
    "same-job": messages.measure_same_job,
    "latency": latency.measure,
    "sustained": sustained.measure,
    "chain": chain.measure,
    "stored-facts": stored_facts.measure,
    "chairside": chairside.measure,
    "linking": linking.measure,
    "dose": dose.measure,
    "dose-report": dose_report.measure,
    "memory": memory.measure,
    "postings": postings.measure,
    "reconcile": reconcile.measure,
    "demo-time": demo_time.measure,
}
RESULTS = ROOT / "tests/out/bench.json"


def main() -> int:
    """Run the chosen benches; 1 where one of them brought no figure."""
    chosen, options, results = _arguments()
    quiet = structlog.make_filtering_bound_logger(logging.WARNING)
    structlog.configure(wrapper_class=quiet)
    figures: list[Figure] = []
    left_out: dict[str, str] = {}
    with Workplace() as place:
        facts = {"machine": machine_facts(place.folder), "versions": library_versions()}
        for title, told in facts.items():
            print_facts(title, told)
        if options.quick:
            say(NOISE)
        for name in chosen:
            began = time.monotonic()
            try:
                figures.append(BENCHES[name](options, place))
            except BenchError as error:
                left_out[name] = str(error)
                say(f"\n== {name}: no figure: {error}\n{error.detail}")
            except (pytest.skip.Exception, pytest.fail.Exception) as absent:
                left_out[name] = str(absent)
                say(f"\n== {name}: left out: {absent}")
            else:
                print_figure(figures[-1])
                say(f"({time.monotonic() - began:.0f} s)")
            facts["servers"] = server_versions(place)
            write_results(results, figures, options, facts, left_out)
        if facts["servers"]:
            print_facts("\nservers", facts["servers"])
    if options.quick:
        say(NOISE)
    return 1 if left_out else 0


def _arguments() -> tuple[list[str], Options, Path]:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--only", nargs="+", choices=BENCHES, default=list(BENCHES))
    parser.add_argument("--rounds", type=int, choices=range(1, 21), metavar="1-20")
    parser.add_argument("--quick", action="store_true", help="small sizes, to see that it runs")
    parser.add_argument("--out", type=Path, default=RESULTS, help="where the JSON goes")
    parser.add_argument(
        "--stored-days",
        type=int,
        nargs="+",
        default=EARLIER_DAYS,
        help="of stored-facts: days beside the first, each of 1,176 facts",
    )
    parser.add_argument("--rates", type=int, nargs="+", default=RATES, help="of latency")
    told = parser.parse_args()
    rounds = told.rounds or (1 if told.quick else 3)
    return (
        told.only,
        Options(rounds, told.quick, tuple(told.stored_days), tuple(told.rates)),
        told.out,
    )


if __name__ == "__main__":
    sys.exit(main())
