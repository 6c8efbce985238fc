"""Results as plain tables for people and as JSON for scripts."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.bench.figures import Figure, Options

NOISE = "QUICK RUN: this shows that the harness works. Its figures are noise; do not quote them."


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def print_figure(figure: Figure) -> None:
    """Print a figure's values, its ratios and its remarks."""
    say(f"\n== {figure.name}: {figure.title}")
    rows = [
        (m.setting, m.contender, m.unit, *_three(m.middle, min(m.values), max(m.values)))
        for m in figure.measures
    ]
    _print_columns(("setting", "contender", "unit", "median", "lowest", "highest"), rows)
    ratios = [
        (
            r.setting,
            f"{r.ours} : {r.peer}",
            f"{r.middle:.2f}",
            f"{min(r.values):.2f}-{max(r.values):.2f}",
        )
        for r in figure.ratios()
    ]
    if ratios:
        say("\nratios within a round, ours : peer (above 1 we are faster)")
        _print_columns(("setting", "ours : peer", "median", "range"), ratios)
    for remark in figure.remarks:
        say(f"* {remark}")


def print_facts(title: str, facts: Mapping[str, str]) -> None:
    """Print names and values in one line."""
    say(f"{title}: " + ", ".join(f"{name} {value}" for name, value in facts.items()))


def write_results(
    path: Path,
    figures: Iterable[Figure],
    options: Options,
    facts: Mapping[str, Mapping[str, str]],
    left_out: Mapping[str, str],
) -> None:
    """Write all that was measured so far."""
    results: dict[str, Any] = {
        "quick": options.quick,
        "rounds": options.rounds,
        **facts,
        "left_out": left_out,
        "figures": [_as_json(figure) for figure in figures],
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(results, indent=2) + "\n", encoding="utf-8")


def _as_json(figure: Figure) -> dict[str, Any]:
    return {
        "name": figure.name,
        "title": figure.title,
        "measures": [
            {
                "setting": m.setting,
                "contender": m.contender,
                "ours": m.ours,
                "unit": m.unit,
                "median": m.middle,
                "rounds": m.values,
            }
            for m in figure.measures
        ],
        "ratios": [
            {
                "setting": r.setting,
                "ours": r.ours,
                "peer": r.peer,
                "median": r.middle,
                "rounds": r.values,
            }
            for r in figure.ratios()
        ],
        "remarks": figure.remarks,
    }


def _three(*values: float) -> tuple[str, ...]:
    return tuple(f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}" for value in values)


def _print_columns(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    widths = [max(len(row[i]) for row in (heads, *rows)) for i in range(len(heads))]
    for row in (heads, tuple("-" * width for width in widths), *rows):
        cells = (
            cell.rjust(width) if _is_number(cell) else cell.ljust(width)
            for cell, width in zip(row, widths, strict=True)
        )
        say("  ".join(cells).rstrip())


def _is_number(cell: str) -> bool:
    return cell[:1].isdigit() and not any(letter.isalpha() for letter in cell.replace("e", ""))
