"""``gomphosis unsigned-notes``: the notes of finished work that no vet has signed yet."""

import json
from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.table import Table

from schemas.conclusions import NoteUnsigned
from schemas.group import load_group
from services.notes import store as notes_store
from services.notes.reminders import reminders_passed, unsigned_note
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store


def show_unsigned_notes(
    site: Annotated[str | None, typer.Option(help="This site alone.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for a program.")] = False,
) -> None:
    """List the notes that wait for a signature, the oldest first, with their age in hours.

    A site's remind_unsigned_after_hours in group.yaml says when a reminder of one is told.

    Example: gomphosis unsigned-notes --site north
    """
    with plain_errors():
        settings = load_settings()
        group = load_group(settings.group_dir)
        if site is not None:
            group.site(site)
        now = datetime.now(UTC)
        found: list[tuple[str, int, NoteUnsigned]] = []
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                for one in notes_store.waiting_notes(connection):
                    if site not in {None, one.site}:
                        continue
                    at = group.site(one.site)
                    passed = reminders_passed(one.waiting_since, now, at)
                    file = notes_store.read_note(connection, one.site, one.study_instance_uid).file
                    task = unsigned_note(file, one.waiting_since, max(passed, 1), now, at)
                    if task is not None:
                        found.append((one.site, passed, task))
        finally:
            opened.close()
    if as_json:
        typer.echo(
            json.dumps(
                [
                    task.model_dump(mode="json", exclude={"reminder"})
                    | {"site": name, "reminders": passed}
                    for name, passed, task in found
                ],
                indent=2,
            )
        )
        return
    table = Table("site", "study", "patient", "age (h)", "reminders", "waits for", show_edge=False)
    for name, passed, task in found:
        table.add_row(
            name,
            task.study_instance_uid,
            task.patient_id,
            f"{task.age_hours:.1f}",
            str(passed),
            task.waits_for if task.trainee is None else f"{task.waits_for} after {task.trainee}",
        )
    stdout.print(table if found else "No note waits for a signature.")
