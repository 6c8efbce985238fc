"""``gomphosis record-tasks``: what the record refuses or cannot be given, for a person."""

import json
from typing import Annotated, Any

import typer
from rich.table import Table
from sqlalchemy import Connection

from schemas.group import load_group
from services.records import store
from services.records.bar import standing
from services.records.rejected import next_action, still_rejected
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store


def show_record_tasks(
    site: Annotated[str | None, typer.Option(help="This site alone.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for a program.")] = False,
) -> None:
    """List what a person has to settle with the patient record, in its own words.

    First what bars every posting (TLS or credentials), then each charge and note that it refused.
    Each says what to do; nothing is lost meanwhile.

    Example: gomphosis record-tasks --site north
    """
    with plain_errors():
        settings = load_settings()
        group = load_group(settings.group_dir)
        if site is not None:
            group.site(site)
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                bars = [one.model_dump(mode="json") for one in standing(connection)]
                waiting = store.count_waiting(connection)
                refused = _refused(connection, site)
        finally:
            opened.close()
    if as_json:
        told = {"record": bars, "postings_waiting": waiting, "postings": refused}
        typer.echo(json.dumps(told, indent=2))
        return
    for bar in bars:
        stdout.print(
            f"The record cannot be worked with since {bar['since']}: {bar['words']}. Next: "
            f"{bar['next_action']}. {waiting} postings wait and go out by themselves.",
            markup=False,
        )
    table = Table("site", "posting", "patient", "the record says", "next", show_edge=False)
    for one in refused:
        table.add_row(*(one[name] for name in _SHOWN))
    if refused:
        stdout.print(table)
    elif not bars:
        stdout.print("Nothing to settle with the record.")


_SHOWN = ("site", "posting_key", "patient_id", "words", "next_action")


def _refused(connection: Connection, site: str | None) -> list[dict[str, Any]]:
    rows = [row for row in store.rejected(connection) if site in {None, row.site}]
    return [
        {
            "site": row.site,
            "study_instance_uid": row.study_instance_uid,
            "posting_key": row.posting_key,
            "patient_id": row.patient_id,
            "answered_at": row.answered_at.isoformat() if row.answered_at else None,
            "words": row.words or "",
            "next_action": next_action(row),
        }
        for row in still_rejected(rows, store.newest_notes(connection))
    ]
