"""``gomphosis dose``: the doses of a period, in words, as CSV, as drawings."""

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from schemas.errors import InvalidInput
from schemas.group import load_group
from schemas.limits import DoseLimits, load_published_reference_levels
from schemas.techniques import SizeRule
from services.assessment.dose import CAUTION
from services.assessment.dose_columns import DoseColumns, columns_of
from services.assessment.dose_csv import write_exposures, write_summary
from services.assessment.dose_ledger import rows_between
from services.assessment.dose_overview import (
    Overview,
    by_site_and_month,
    overview,
    trend_points,
    view_spreads,
)
from services.assessment.dose_periods import By, GroupDose, Part, Spread
from services.assessment.dose_plots import by_view, distribution, trend
from services.assessment.period_options import FROM, SITE, TO, day_of
from services.assessment.rules import Rules, load_rules
from services.assessment.typical_values import SOURCE
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store

_MOST_LINES = 60


def show_dose(
    site: Annotated[str | None, SITE] = None,
    first: Annotated[datetime | None, FROM] = None,
    last: Annotated[datetime | None, TO] = None,
    by: Annotated[
        By | None, typer.Option("--by", help="Beside the whole, each of these by itself.")
    ] = None,
    csv_folder: Annotated[
        Path | None,
        typer.Option("--csv", help="A folder for CSV: exposures by site and month, a summary."),
    ] = None,
    svg_folder: Annotated[
        Path | None, typer.Option("--svg", help="A folder for three drawings (SVG).")
    ] = None,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show the doses of a period: sums and medians with uncertainty, repeats apart.

    Estimates, no measurements. Training studies are left out. Typical values and local reference
    levels are given by the ICRP 135 method, and refused below its sample sizes. Exit code 2: the
    period is the wrong way round. 3: no such site.

    Example: gomphosis dose --from 2026-01-01 --to 2026-06-30 --by view --svg plots
    """
    with plain_errors():
        settings = load_settings()
        rules = {
            one.name: load_rules(one, settings.group_dir)
            for one in load_group(settings.group_dir).sites
            if site is None or one.name == site
        }
        if not rules:
            stderr.print(f"--site {site}: expected a site of the group", markup=False)
            raise typer.Exit(Exit.NOT_FOUND)
        begin, end = day_of(first), day_of(last)
        if begin is not None and end is not None and end < begin:
            stderr.print(f"--to {end}: expected a day from {begin} on", markup=False)
            raise typer.Exit(Exit.WRONG_USE)
        written: list[Path] = []
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                rows = rows_between(connection, site, begin, end)
                columns = columns_of(rows, _size_rules(rules))
                if csv_folder is not None:
                    rows = rows_between(connection, site, begin, end)
                    with _folder(csv_folder, "--csv") as folder:
                        write_summary(by_site_and_month(columns, by), folder / "summary.csv")
                        written += [folder / "summary.csv", *write_exposures(rows, folder)]
        finally:
            opened.close()
        if svg_folder is not None:
            with _folder(svg_folder, "--svg") as folder:
                written += _draw(columns, rules, folder)
    found = overview(columns, by)
    if json_output:
        typer.echo(json.dumps(as_json(found), indent=2))
        return
    _print(found, columns)
    for path in written:
        stdout.print(f"written: {path}", markup=False, soft_wrap=True)


def _size_rules(rules: Mapping[str, Rules]) -> dict[str, SizeRule]:
    return {name: one.chart.size_rule for name, one in rules.items() if one.chart is not None}


@contextmanager
def _folder(path: Path, option: str) -> Iterator[Path]:
    """Make a folder to write into; what the system refuses becomes an error that names it."""
    try:
        path.mkdir(parents=True, exist_ok=True)
        yield path
    except OSError as error:
        raise InvalidInput(option, str(path), f"a folder that takes files ({error})") from error


def _draw(columns: DoseColumns, rules: Mapping[str, Rules], folder: Path) -> list[Path]:
    limits = _limits(rules)
    levels = limits.per_exposure.kerma_mgy if limits is not None else None
    invented = limits is not None and limits.basis == "invented"
    counted = columns.kerma_mgy[columns.summed & ~columns.training]
    points, of = trend_points(columns)
    published = load_published_reference_levels().levels
    drawings = {
        "distribution.svg": distribution(counted, levels, invented, published),
        "trend.svg": trend(points, f"by {of}"),
        "by-view.svg": by_view(view_spreads(columns)),
    }
    for name, drawing in drawings.items():
        (folder / name).write_text(drawing, encoding="utf-8")
    return [folder / name for name in drawings]


def _limits(rules: Mapping[str, Rules]) -> DoseLimits | None:
    """The limits, where all the sites have the same."""
    found = [one.limits for one in rules.values()]
    return found[0] if found and all(one == found[0] for one in found) else None


def as_json(found: Overview) -> dict[str, Any]:
    """Lay an overview out for a script."""
    return {
        "caution": CAUTION,
        "training_exposures_left_out": found.training,
        "groups": [asdict(one) for one in found.groups],
        "typical_values": {
            "method": SOURCE,
            "unit": "mGy",
            "kinds": [
                {
                    "view": view,
                    "size": size,
                    "rooms": [asdict(room) for room in rooms],
                    "local_level": asdict(level),
                }
                for (view, size), (rooms, level) in found.typical.items()
            ],
        },
        "published_human_dental_levels": load_published_reference_levels().model_dump(mode="json"),
    }


def _print(found: Overview, columns: DoseColumns) -> None:
    if not found.groups:
        stdout.print("No exposure stands in this period.")
        return
    first, last = (date.fromordinal(int(day)) for day in (columns.day.min(), columns.day.max()))
    stdout.print(f"{first} to {last}", markup=False)
    heads = ("group", "studies", "exposures", "mGy", "mGy·cm²", "k = 1", "one exposure, median mGy")
    table = Table(*heads, "a study", "basis", show_edge=False)
    for one in found.groups[:_MOST_LINES]:
        table.add_row(*(escape(cell) for cell in _cells(one)))
    stdout.print(table)
    if (left := len(found.groups) - _MOST_LINES) > 0:
        stdout.print(f"… and {left} more: see --json or --csv")
    stdout.print()
    for line in _below(found):
        stdout.print(line, markup=False)


def _cells(one: GroupDose) -> tuple[str, ...]:
    repeats, early = one.repeats, one.ended_early
    parts = [f"{part.exposures} {name}" for part, name in _apart(repeats, early) if part.exposures]
    parts += [f"{one.waiting} waiting, in no sum"] if one.waiting else []
    parts += [f"{one.unknown_kerma} unknown, in no sum"] if one.unknown_kerma else []
    exposures = f"{one.total.exposures}" + (f" ({'; '.join(parts)})" if parts else "")
    apart = [
        f"{name} {part.kerma_mgy:.3g}" for part, name in _apart(repeats, early) if part.exposures
    ]
    kerma = f"{one.total.kerma_mgy:.4g}" + (f" ({'; '.join(apart)})" if apart else "")
    uncertain = one.relative_uncertainty
    return (
        one.group,
        str(one.studies),
        exposures,
        kerma,
        f"{one.total.kap_mgycm2:.4g}",
        f"± {100 * uncertain:.0f} %" if uncertain is not None else "not known",
        _spread(one.kerma_of_one_mgy),
        _spread(one.kerma_of_a_study_mgy),
        ", ".join(basis.value for basis in one.bases) or "none",
    )


def _apart(repeats: Part, early: Part) -> tuple[tuple[Part, str], ...]:
    return ((repeats, "repeats"), (early, "ended early"))


def _spread(spread: Spread | None) -> str:
    if spread is None:
        return "not known"
    return f"{spread.median:.3g} ({spread.median_low:.3g} to {spread.median_high:.3g})"


def _below(found: Overview) -> list[str]:
    lines = ["In brackets beside a median: its interval at 95 % by the number of values alone."]
    if found.training:
        lines.append(f"{found.training} exposures of training studies are left out.")
    given = [
        (kind, [room for room in rooms if room.value is not None], level)
        for kind, (rooms, level) in found.typical.items()
    ]
    lines.append(f"Typical values by the method of {SOURCE}:")
    for (view, size), rooms, level in given:
        if rooms:
            told = "; ".join(room.words for room in rooms)
            lines.append(f"  {view}, {size}: {told}. {level.words}")
    if refused := sum(not rooms for _, rooms, _ in given):
        count = "1 kind" if refused == 1 else f"{refused} kinds"
        lines.append(f"  {count} of exposure: not given, too few patients in each room")
    published = load_published_reference_levels()
    lines.append(published.note)
    lines += [f"  {level.label()}" for level in published.levels]
    return [*lines, CAUTION]
