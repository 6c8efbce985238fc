"""``gomphosis verify-audit``: is the audit of money whole?"""

import json
import re
from dataclasses import asdict
from typing import Annotated

import typer

from services.charges.audit_chain import Head, sites, verify
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store

_HEAD = re.compile(r"([0-9]{1,18}):([0-9a-f]{64})")


def verify_audit(
    site: Annotated[str | None, typer.Option("--site", help="One site; all without it.")] = None,
    kept: Annotated[
        str | None,
        typer.Option("--head", help="A head that was kept (number:hash), to see nothing cut off."),
    ] = None,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Check the chain of the audit of money, and name the first place where it is broken.

    Keep the head that it prints somewhere else: with it the next check also finds rows that were
    cut off at the end. Ends with 4 where a chain is broken.

    Example: gomphosis verify-audit --site north --head 120:6f3c...
    """
    head = head_of(kept)
    if head is not None and site is None:
        stderr.print("--head: expected with --site, whose chain it is of")
        raise typer.Exit(Exit.WRONG_USE)
    with plain_errors():
        settings = load_settings()
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                names = [site] if site is not None else sites(connection)
                found = [verify(connection, name, head) for name in names]
        finally:
            opened.close()
    if json_output:
        typer.echo(json.dumps([asdict(one) for one in found]))
    for one in [] if json_output else found:
        if one.broken is None:
            stdout.print(f"{one.site}: whole, {one.rows} rows, head {one.head}", markup=False)
        else:
            words = f"{one.site}: BROKEN at row {one.broken.number}: {one.broken.words}"
            stdout.print(words, markup=False)
    if any(one.broken is not None for one in found):
        raise typer.Exit(Exit.CHECK_FAILED)


def head_of(text: str | None) -> Head | None:
    """Read a head as it is printed; a wrong one ends the command with 2."""
    if text is None:
        return None
    match = _HEAD.fullmatch(text)
    if match is None:
        stderr.print(f"--head: expected number:hash as verify-audit prints it, got {text}")
        raise typer.Exit(Exit.WRONG_USE)
    return Head(int(match[1]), match[2])
