"""``gomphosis try-mapping``: what each line of a device's file would become, or why not."""

import json
from collections import Counter
from itertools import islice
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from schemas.group import Device, load_group
from schemas.mappings import load_mapping
from services.intake.mapping_trial import TriedLine, try_mapping
from services.intake.watch import find_generator
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import load_settings


def try_mapping_file(
    mapping: Annotated[
        Path, typer.Argument(exists=True, dir_okay=False, readable=True, help="The mapping.")
    ],
    file: Annotated[
        Path, typer.Argument(exists=True, dir_okay=False, readable=True, help="A device's file.")
    ],
    device: Annotated[
        str | None,
        typer.Option(help="A generator of group.yaml, for what the mapping leaves to it."),
    ] = None,
    site: Annotated[
        str | None, typer.Option(help="Its site, where two have a device of that name.")
    ] = None,
    limit: Annotated[int, typer.Option(min=1, help="Lines to show at most.")] = 200,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show what each line of a file would become. Nothing is kept or sent.

    Exit code 0: no line is refused. 4: some are.

    Example: gomphosis try-mapping mappings/mine.yaml sample.txt
    """
    with plain_errors():
        told = load_mapping(mapping)
        lines = list(islice(try_mapping(told, file, _device(device, site)), limit))
    counts = Counter(line.outcome for line in lines)
    if json_output:
        shown = [
            {"line": line.number, "outcome": line.outcome, "words": line.words, **line.details}
            for line in lines
        ]
        typer.echo(json.dumps({"counts": dict(counts), "lines": shown}, indent=2))
    else:
        _print(lines)
        stdout.print(", ".join(f"{count} {word}" for word, count in counts.items()) or "no line")
        unknown = sorted({column for line in lines for column in line.unknown})
        if unknown:
            stdout.print(
                f"Columns that the mapping does not know: {', '.join(unknown)}. Name them in "
                "unused_columns where they tell nothing.",
                markup=False,
            )
        if lines and lines[-1].ends:
            stderr.print("Nothing below this header can be read.", markup=False)
    raise typer.Exit(Exit.CHECK_FAILED if counts["refused"] else Exit.DONE)


def _device(name: str | None, site: str | None) -> Device | None:
    if name is None:
        return None
    return find_generator(load_group(load_settings().group_dir), name, site)[1]


def _print(lines: list[TriedLine]) -> None:
    table = Table("line", "becomes", "words", show_edge=False)
    for line in lines:
        table.add_row(str(line.number), line.outcome, escape(line.words))
    stdout.print(table)
