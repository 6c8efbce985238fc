"""Retention: what is older than the group's own years is counted, and let go of on request."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, Final, Literal

from sqlalchemy import ColumnElement, Connection, Table, delete, func, select

from schemas.errors import GomphosisError
from services.runtime import deeds
from services.runtime.deeds import Deed
from services.runtime.operations.backup import ONE_AT_A_TIME
from services.runtime.settings import RetentionSettings, Settings
from services.runtime.store import Store

RETENTION: Final = "gomphosis.retention"
MARGIN: Final = timedelta(days=2)
"""So much more than its years is kept: work past midnight is assessed with the day before it."""

EVERY_SITE: Final = "every-site"

Kind = Literal["facts", "images", "console", "triage"]


class PurgeError(GomphosisError):
    """A purge may not run; says why."""


@dataclass(frozen=True, slots=True)
class Old:
    """Rows of one table that may go. ``where`` says which are older than a moment.

    ``files`` gives the files below the folder of images that go with them.
    """

    kind: Kind
    table: Table
    where: Callable[[datetime], ColumnElement[bool]]
    files: Callable[[Connection, datetime], Iterable[str]] | None = None


@dataclass(frozen=True, slots=True)
class Counted:
    """How much of one table is older than ``before``."""

    kind: Kind
    table: str
    before: datetime
    rows: int
    files: int


def cutoff(years: int, today: date) -> datetime:
    """Give the moment before which something is older than so many years, with the margin."""
    try:
        day = today.replace(year=today.year - years)
    except ValueError:  # the 29th of February
        day = today.replace(year=today.year - years, day=28)
    return datetime.combine(day, time(), UTC) - MARGIN


def purge(
    store: Store,
    settings: Settings,
    today: date,
    *,
    images: bool = False,
    delete_by: str | None = None,
) -> list[Counted]:
    """Count what is older than its years; with ``delete_by``, a person, let go of it as well.

    What went, of which tables and before which day, is written to the audit in the transaction of
    the deletion. Raises PurgeError, StoreUnavailable.
    """
    due = [
        (one, cutoff(years, today))
        for one in _declared()
        if (years := _years(settings.retention, one.kind)) is not None
        and (images or one.kind != "images")
    ]
    if delete_by is None:
        with store.read() as connection:
            return [_count(connection, one, before) for one, before in due]
    with store.exclusive(ONE_AT_A_TIME) as mine:
        if not mine:
            raise PurgeError("purge: expected no backup or other purge to run now")
        with store.begin() as connection:
            gone = [_let_go(connection, one, before, settings.images_dir) for one, before in due]
            _note(connection, gone, delete_by)
    return gone


def _declared() -> list[Old]:
    """Give all that services declare: each service's in its own order, which matters to it."""
    points = sorted(entry_points(group=RETENTION), key=lambda point: point.name)
    return [one for point in points for one in point.load()]


def _years(settings: RetentionSettings, kind: Kind) -> int | None:
    found: int | None = getattr(settings, f"{kind}_years")
    return found


def _count(connection: Connection, one: Old, before: datetime) -> Counted:
    query = select(func.count()).select_from(one.table).where(one.where(before))
    rows = int(connection.scalar(query) or 0)
    files = len(list(one.files(connection, before))) if one.files is not None else 0
    return Counted(one.kind, one.table.name, before, rows, files)


def _let_go(connection: Connection, one: Old, before: datetime, folder: Path) -> Counted:
    files = list(one.files(connection, before)) if one.files is not None else []
    # Files first: broken off in between, the rows still name them, and the next purge ends it.
    for name in files:
        path = (folder / name).resolve()
        if not path.is_relative_to(folder.resolve()):
            raise PurgeError(f"image {name}: expected it below {folder}")
        path.unlink(missing_ok=True)
    done: Any = connection.execute(delete(one.table).where(one.where(before)))
    return Counted(one.kind, one.table.name, before, done.rowcount, len(files))


def _note(connection: Connection, gone: list[Counted], person: str) -> None:
    now = datetime.now(UTC)
    for one in gone:
        if one.rows:
            what = f"{one.rows} rows and {one.files} files older than {one.before:%Y-%m-%d}"
            deed = Deed(
                "did", f"purge {one.kind}: {one.table}", what, EVERY_SITE, person, None, now
            )
            deeds.append(connection, "operations", deed)
