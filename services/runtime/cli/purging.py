"""``gomphosis purge``: count, and on request let go of, what is older than the group's years."""

import json
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.table import Table

from schemas.group import Group, load_group
from schemas.people import Role
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.operations.retention import Counted, PurgeError
from services.runtime.operations.retention import purge as purge_old
from services.runtime.settings import load_settings
from services.runtime.store import Store

_CAUTION = (
    "Ask first how long the law, your profession's rules and your insurer want records, images "
    "and books to be kept; they differ from place to place. What was deleted is in no later backup."
)


def purge(
    delete: Annotated[
        bool, typer.Option("--delete", help="Let go of it; without this it is only counted.")
    ] = False,
    by: Annotated[
        str | None, typer.Option("--by", help="Who decides it: an admin of group.yaml.")
    ] = None,
    images: Annotated[
        bool, typer.Option("--images", help="Image files too, by retention.images_years.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Count what is older than the settings 'retention' say; with --delete, let go of it.

    Nothing is older by default. Charges, notes, postings and audits are never let go of here. Take
    a backup first.

    Examples:

      gomphosis purge

      gomphosis purge --delete --by admin-1
    """
    with plain_errors():
        settings = load_settings()
        if delete:
            _expect_admin(load_group(settings.group_dir), by)
        store = Store(settings.store_url)
        try:
            found = purge_old(
                store,
                settings,
                datetime.now(UTC).date(),
                images=images,
                delete_by=by if delete else None,
            )
        finally:
            store.close()
    if as_json:
        rows = [asdict(one) | {"before": one.before.isoformat()} for one in found]
        typer.echo(json.dumps({"deleted": delete, "tables": rows}, indent=2))
    else:
        _print(found, delete)


def _expect_admin(group: Group, by: str | None) -> None:
    people = {
        person.name for site in group.sites for person in site.people if Role.ADMIN in person.roles
    }
    if by not in people:
        known = ", ".join(sorted(people)) or "none is listed"
        raise PurgeError(f"--by {by}: expected an admin of group.yaml ({known})")


def _print(found: list[Counted], deleted: bool) -> None:
    if not found:
        stdout.print("nothing is ever let go of: no setting 'retention' gives years")
        return
    table = Table("what", "table", "older than", "rows", "files", show_edge=False)
    for one in found:
        table.add_row(one.kind, one.table, f"{one.before:%Y-%m-%d}", str(one.rows), str(one.files))
    stdout.print(table)
    stdout.print("deleted, and noted in the audit" if deleted else "counted only: nothing deleted")
    stdout.print(_CAUTION, markup=False)
