"""``gomphosis migrate`` and ``gomphosis check``: for whoever deploys and keeps the system."""

import json
from typing import Annotated

import typer
from rich.table import Table

from services.runtime.cli.exits import Exit, plain_errors, stdout


def migrate() -> None:
    """Bring the store to this version's schema. Safe to repeat, also from several machines.

    Example:  gomphosis migrate
    """
    from services.runtime import migrate as migration
    from services.runtime.settings import load_settings
    from services.runtime.store import Store

    with plain_errors():
        settings = load_settings()
        settings.data_dir.mkdir(parents=True, exist_ok=True)
        store = Store(settings.store_url)
        before = migration.current_revision(store)
        after = migration.migrate(store)
        store.close()
    if before == after:
        stdout.print(f"store schema: {after}, nothing to do")
    else:
        stdout.print(f"store schema: {before or 'none'} -> {after}")


def check(
    as_json: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Check the settings and reach every peer; a plain verdict for each.

    Exit code 4 where one did not pass. Example:  gomphosis check --json
    """
    from services.runtime.checks import run_checks

    verdicts = run_checks()
    if as_json:
        typer.echo(json.dumps([verdict.as_dict() for verdict in verdicts], indent=2))
    else:
        table = Table("what", "verdict", "in words", show_edge=False)
        for verdict in verdicts:
            table.add_row(verdict.name, "good" if verdict.good else "NOT GOOD", verdict.words)
        stdout.print(table)
    if not all(verdict.good for verdict in verdicts):
        raise typer.Exit(Exit.CHECK_FAILED)
