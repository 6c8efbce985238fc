"""``gomphosis triage``: read, correct, replay or discard what could not be used."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from services.runtime import triage
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store

app = typer.Typer(
    no_args_is_help=True,
    help="Input that could not be used, kept with its reason until a person settles it.",
)
_SHOWN_BYTES = 20_000


@contextmanager
def _store() -> Iterator[Store]:
    with plain_errors():
        store = Store(load_settings().store_url)
        try:
            yield store
        finally:
            store.close()


@app.command("list")
def list_entries(
    every: Annotated[bool, typer.Option("--all", help="Settled ones too.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """List the open entries, oldest first. Example:  gomphosis triage list --json"""
    with _store() as store, store.read() as connection:
        rows = triage.entries(connection, None if every else triage.TriageState.OPEN)
    if as_json:
        typer.echo(json.dumps([_as_dict(row) for row in rows], indent=2))
        return
    if not rows:
        stdout.print("triage is empty")
        return
    table = Table("no.", "since", "service", "from", "kind", "field", "expected", show_edge=False)
    for row in rows:
        entry = _as_dict(row)
        table.add_row(
            str(entry["id"]),
            entry["kept_at"],
            entry["service"],
            entry["origin"],
            entry["kind"] or "?",
            entry["field"],
            entry["expected"],
        )
    stdout.print(table)


@app.command("show")
def show_entry(
    number: Annotated[int, typer.Argument(help="The number that 'list' gives.")],
    as_json: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show one entry with what was told. Example:  gomphosis triage show 7"""
    with _store() as store, store.read() as connection:
        row = triage.entry(connection, number)
    if row is None:
        stderr.print(f"triage {number}: no such entry", markup=False)
        raise typer.Exit(Exit.NOT_FOUND)
    entry = _as_dict(row) | {"body": row.body[:_SHOWN_BYTES].decode("utf-8", "replace")}
    if as_json:
        typer.echo(json.dumps(entry, indent=2))
        return
    for name, value in entry.items():
        stdout.print(f"{name}: {value}", markup=False)


@app.command("replay")
def replay_entry(
    number: Annotated[int, typer.Argument(help="The number that 'list' gives.")],
    corrected: Annotated[
        Path | None, typer.Option("--file", help="A corrected message; the kept one if left out.")
    ] = None,
) -> None:
    """Send an entry through the line again, corrected or as it was.

    Example:  gomphosis triage show 7 --json, correct the body, gomphosis triage replay 7 --file x
    """
    with _store() as store, store.begin() as connection:
        body = corrected.read_bytes() if corrected else None
        message_id = triage.replay(connection, number, body)
    stdout.print(f"triage {number}: goes out again as message {message_id}")


@app.command("discard")
def discard_entry(
    number: Annotated[int, typer.Argument(help="The number that 'list' gives.")],
    reason: Annotated[
        str | None, typer.Option("--reason", help="Why; it is kept with the entry.")
    ] = None,
) -> None:
    """Settle an entry as of no use; it stays readable.

    Example:  gomphosis triage discard 7 --reason "told twice"
    """
    with _store() as store, store.begin() as connection:
        triage.discard(connection, number, reason=reason)
    stdout.print(f"triage {number}: discarded, still readable with 'list --all'")


def _as_dict(row: Any) -> dict[str, Any]:
    return {
        "id": row.id,
        "kept_at": row.kept_at.isoformat(timespec="seconds"),
        "state": row.state,
        "service": row.service,
        "origin": row.origin,
        "kind": row.kind,
        "message_id": row.message_id,
        "attempts": row.attempts,
        "field": row.field,
        "value": row.value,
        "expected": row.expected,
        "settled_by": row.settled_by,
        "settled_reason": row.settled_reason,
        "sent_message_id": row.sent_message_id,
    }
