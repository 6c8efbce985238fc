"""Backup and restore of one deployment: store, queues, images and the group's own rules.

The database is copied first and the images after it. Intake makes an image durable before it
commits the fact, and never changes or moves it after, so every image that the copied facts name is
there to be copied; images that came meanwhile are copied too, and no fact of the backup names them.
"""

import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Final

from schemas.channels import SUBSCRIPTIONS
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import EMBEDDED, open_bus
from services.runtime.folders import sync_folder
from services.runtime.migrate import current_revision
from services.runtime.operations.database_copy import copy_store, is_empty, put_back
from services.runtime.operations.manifest import (
    MANIFEST,
    BackupError,
    Manifest,
    copy_durably,
    files_below,
    sha256_of,
    verify,
    write_sums,
)
from services.runtime.settings import Settings
from services.runtime.store import Store

Say = Callable[[str], None]

IMAGES: Final = "images"
GROUP: Final = "group"
LAST_BACKUP: Final = "last-backup"
"""A file in the data folder whose time of change is that of the last whole backup."""

ONE_AT_A_TIME: Final = "operations"
"""The claim under which backups and purges run: none takes away what another reads."""

_NOT_KEPT_YET: Final = "incoming"
"""The folder below the images of what is still on its way in, and acknowledged to nobody."""


def take_backup(settings: Settings, into: Path, *, images: bool = True) -> Manifest:
    """Back up while everything runs. ``into`` must not exist; it appears only once it is whole.

    Without ``images`` their folder is left to other means, which must run after this. Raises
    BackupError, StoreUnavailable.
    """
    if into.exists():
        raise BackupError(f"backup {into}: expected no such file or folder yet")
    part = into.with_name(f"{into.name}.part")
    if part.exists():
        shutil.rmtree(part)  # of a backup that was broken off
    part.mkdir(parents=True)
    part.chmod(0o700)  # it holds what the database holds
    taken_at = datetime.now(UTC)
    store = Store(settings.store_url)
    try:
        revision = current_revision(store)
        if revision is None:
            raise BackupError("store: expected gomphosis's tables; run: gomphosis migrate")
        with store.exclusive(ONE_AT_A_TIME) as mine:
            if not mine:
                raise BackupError("backup: expected no other backup or purge to run now")
            rows, exact = copy_store(store, settings.bus_url, part)
            sums, pictures = _files(settings, part, images=images)
    finally:
        store.close()
    manifest = Manifest(
        version=version("gomphosis"),
        taken_at=taken_at,
        schema_revision=revision,
        database="sqlite" if store.is_sqlite else "postgresql",
        exact=exact,
        images=len(pictures) if images else None,
        image_bytes=sum((part / path).stat().st_size for path in pictures),
        rows=rows,
    )
    (part / MANIFEST).write_text(manifest.model_dump_json(indent=2) + "\n", encoding="utf-8")
    write_sums(part, sums | pictures | {MANIFEST: sha256_of(part / MANIFEST)})
    sync_folder(part)
    part.rename(into)
    sync_folder(into.parent)
    (settings.data_dir / LAST_BACKUP).touch()
    return manifest


def _files(
    settings: Settings, part: Path, *, images: bool
) -> tuple[dict[str, str], dict[str, str]]:
    """Copy what is no database; give the checksums of all files so far, and of the images."""
    sums = {path.relative_to(part).as_posix(): sha256_of(path) for path in files_below(part)}
    sums |= _copied(settings.group_dir, part, GROUP)
    return sums, _copied(settings.images_dir, part, IMAGES) if images else {}


def restore_backup(settings: Settings, folder: Path, say: Say) -> Manifest:
    """Put a backup back into an empty store and data folder, and count what came.

    Raises BackupError before anything is written where the backup does not hold, the place is not
    empty, or the broker still holds messages of the time before.
    """
    manifest = verify(folder)
    say(f"checksums: every file of {folder} is as it was backed up")
    store = Store(settings.store_url)
    try:
        _expect_fits(settings, store, manifest)
        found = put_back(store, settings.bus_url, folder)
    finally:
        store.close()
    for table in sorted(found.keys() | manifest.rows.keys()):
        if found.get(table) != manifest.rows.get(table):
            raise BackupError(
                f"table {table}: expected {manifest.rows.get(table)} rows, got {found.get(table)}"
            )
    say(f"tables: {len(found)}, with {sum(found.values())} rows, each as many as backed up")
    if (folder / IMAGES).is_dir():
        _copied(folder / IMAGES, settings.data_dir, IMAGES)
        say(f"images: {manifest.images} files")
    elif manifest.images is None:
        say(f"images: not in this backup; put them back into {settings.images_dir}")
    return manifest


def _expect_fits(settings: Settings, store: Store, manifest: Manifest) -> None:
    kind = "sqlite" if store.is_sqlite else "postgresql"
    if manifest.database != kind:
        raise BackupError(f"store: expected {manifest.database}, as was backed up, got {kind}")
    if not is_empty(store):
        raise BackupError("store: expected an empty one; a restore never writes over anything")
    if settings.images_dir.exists() and any(files_below(settings.images_dir)):
        raise BackupError(f"images: expected none yet in {settings.images_dir}")
    if settings.bus_url.startswith(EMBEDDED):
        if Path(settings.bus_url.removeprefix(EMBEDDED)).exists():
            raise BackupError("queues: expected no file yet in the data folder")
        return
    bus = open_bus(settings.bus_url, BusLimits(), "gomphosis-restore")
    try:
        bus.declare(SUBSCRIPTIONS)
        for one in SUBSCRIPTIONS:
            if depth := bus.depth(one.queue):
                raise BackupError(
                    f"queue {one.queue}: expected it empty, it holds {depth} messages from after "
                    "the backup; give gomphosis a fresh vhost, or delete and declare this one anew"
                )
    finally:
        bus.close()


def _copied(source: Path, target: Path, name: str) -> dict[str, str]:
    """Copy the files below a folder to ``name`` below another; give their checksums by path."""
    sums = {}
    for path in files_below(source):
        place = path.relative_to(source)
        if place.parts[0] == _NOT_KEPT_YET:
            continue
        sums[f"{name}/{place.as_posix()}"] = copy_durably(path, target / name / place)
    return sums
