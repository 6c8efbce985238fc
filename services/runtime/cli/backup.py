"""``gomphosis backup``, ``verify-backup``, ``restore`` and ``retell``."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from schemas.group import load_group
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.migrate import migrate
from services.runtime.operations.backup import restore_backup, take_backup
from services.runtime.operations.manifest import BackupError, Manifest, verify
from services.runtime.operations.retell import retell
from services.runtime.settings import Settings, load_settings
from services.runtime.store import Store

DAYS = typer.Option(
    "--days", min=1, max=36_500, help="Tell again what was kept in so many days before."
)
EVERYTHING = typer.Option("--everything", help="Tell everything again; may take hours.")


def back_up(
    folder: Annotated[Path, typer.Argument(help="A new folder, on another disk.")],
    without_images: Annotated[
        bool,
        typer.Option("--without-images", help="Leave them to other means, run after this."),
    ] = False,
) -> None:
    """Back up store, queues, images and the group's rules while everything runs.

    The folder appears once it is whole and holds what the database holds: keep it as safe.

    Example:  gomphosis backup /backup/2026-03-02
    """
    with plain_errors():
        _print(take_backup(load_settings(), folder, images=not without_images), folder)


def verify_backup(folder: Annotated[Path, typer.Argument()]) -> None:
    """Read every file of a backup and compare it with its checksum. Exit code 4 where one differs.

    Example:  gomphosis verify-backup /backup/2026-03-02
    """
    try:
        manifest = verify(folder)
    except BackupError as error:
        stderr.print(str(error), markup=False)
        raise typer.Exit(Exit.CHECK_FAILED) from error
    _print(manifest, folder)


def restore(
    folder: Annotated[Path, typer.Argument(help="What gomphosis backup made.")],
    days: Annotated[int, DAYS] = 31,
    everything: Annotated[bool, EVERYTHING] = False,
) -> None:
    """Put a backup into an empty store and data folder, migrate it, and tell again what may have
    been on its way. Every service must be stopped.

    What was acknowledged after the backup is not in it: have the stations and the record send it
    again, then compare with the record (gomphosis read-back, gomphosis reconcile).

    Example:  gomphosis restore /backup/2026-03-02
    """
    with plain_errors():
        settings = load_settings()
        settings.data_dir.mkdir(parents=True, exist_ok=True)
        manifest = restore_backup(settings, folder, _say)
        store = Store(settings.store_url)
        try:
            after = migrate(store)
        finally:
            store.close()
        _say(f"store schema: {manifest.schema_revision} -> {after}")
        _retell(settings, None if everything else manifest.taken_at - timedelta(days=days))
    stdout.print("restored; start the services: what waits goes out by itself")


def tell_again(
    days: Annotated[int, DAYS] = 31,
    everything: Annotated[bool, EVERYTHING] = False,
) -> None:
    """Tell again what is kept, where the broker's queues were lost. What was handled stays.

    Example:  gomphosis retell --days 3
    """
    with plain_errors():
        since = None if everything else datetime.now(UTC) - timedelta(days=days)
        _retell(load_settings(), since)


def _retell(settings: Settings, since: datetime | None) -> None:
    group = load_group(settings.group_dir)
    store = Store(settings.store_url)
    try:
        for service, count in retell(store, group.name, since).items():
            _say(f"told again by {service}: {count} messages")
    finally:
        store.close()


def _print(manifest: Manifest, folder: Path) -> None:
    images = "none" if manifest.images is None else f"{manifest.images} files"
    _say(f"backup {folder}: whole, every checksum as listed in SHA256SUMS")
    _say(f"taken at {manifest.taken_at.isoformat(timespec='seconds')} by {manifest.version}")
    _say(f"store: {manifest.database}, schema {manifest.schema_revision}")
    _say(f"rows: {sum(manifest.rows.values())} in {len(manifest.rows)} tables")
    _say(f"images: {images}, {manifest.image_bytes} bytes")


def _say(words: str) -> None:
    stdout.print(words, markup=False, highlight=False)
