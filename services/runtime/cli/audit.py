"""``gomphosis audit``: who was refused, by which door, and why; or what people saw and did."""

import json
from datetime import UTC, datetime
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from schemas.errors import GomphosisError
from services.runtime import audit, deeds
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store


def show_audit(
    since: Annotated[
        str | None,
        typer.Option("--since", help="A day (2026-03-02) or a time (2026-03-02T09:00+01:00)."),
    ] = None,
    limit: Annotated[
        int, typer.Option("--limit", min=1, max=100_000, help="The newest so many rows.")
    ] = 200,
    with_deeds: Annotated[
        bool, typer.Option("--deeds", help="Instead: what people saw and did in the console.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show who was refused: associations, TLS handshakes, tokens, facts, senders; oldest first.

    Repeats within a minute are counted together. With --deeds: who signed in, saw and did what.
    Times are UTC, also where --since tells no zone.

    Examples:

      gomphosis audit --since 2026-03-02 --json

      gomphosis audit --deeds --limit 50
    """
    with plain_errors():
        begin = None if since is None else _moment(since)
        store = Store(load_settings().store_url)
        try:
            with store.read() as connection:
                read = deeds.entries if with_deeds else audit.entries
                rows = read(connection, begin, limit)
        finally:
            store.close()
    found = [_as_dict(row) for row in rows]
    if as_json:
        typer.echo(json.dumps(found, indent=2))
    elif not found:
        stdout.print("nobody did anything" if with_deeds else "nobody was refused")
    elif with_deeds:
        _print_deeds(found)
    else:
        _print(found)


def _moment(told: str) -> datetime:
    try:
        moment = datetime.fromisoformat(told)
    except ValueError as error:
        raise GomphosisError(
            f"--since {told}: expected a day (2026-03-02) or a time (2026-03-02T09:00+01:00)"
        ) from error
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment


def _as_dict(row: Any) -> dict[str, Any]:
    told = dict(row._mapping)
    for name in ("first_at", "last_at", "at"):
        if name in told:
            told[name] = told[name].isoformat(timespec="seconds")
    return told


def _print_deeds(found: list[dict[str, Any]]) -> None:
    table = Table("at", "who", "did", "what", "about", "from", show_edge=False)
    for one in found:
        who = f"{one['site']}/{one['person']}"
        cells = (one["at"], who, one["did"], one["what"], one["about"], one["address"] or "?")
        table.add_row(*(escape(cell) for cell in cells))
    stdout.print(table)


def _print(found: list[dict[str, Any]]) -> None:
    table = Table("last", "attempts", "door", "refused", "who", "from", "why", show_edge=False)
    for one in found:
        titles = f"{one['calling']} to {one['called']}" if one["calling"] else None
        who = ", ".join(filter(None, (one["site"], one["holder"], titles))) or "not told"
        cells = (
            one["last_at"],
            str(one["attempts"]),
            one["door"],
            one["refused"],
            who,
            one["address"] or "many",
            one["reason"],
        )
        table.add_row(*(escape(cell) for cell in cells))
    stdout.print(table)
