"""How far each watched file of a device has been read: kept in the transaction of its facts."""

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ColumnElement,
    Connection,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    and_,
    delete,
    select,
)

from services.intake.device_cells import Columns
from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.upsert import replace_row

LONGEST_PATH = 400

TAIL = Table(
    "intake_tail",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("device", String(64), nullable=False),
    Column("path", String(LONGEST_PATH), nullable=False),
    Column("inode", String(64), nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("line", BigInteger, nullable=False),
    Column("within_line", Boolean, nullable=False),
    Column("fingerprint", String(64)),
    Column("header", Text),
    Column("held", String(64)),
    Column("done", Boolean, nullable=False),
    Column("read_at", UtcDateTime, nullable=False),
    PrimaryKeyConstraint("site", "device", "path"),
)
"""One row per file. ``fingerprint`` is over the bytes just before ``position``, by which a file is
known to be the same one; ``held`` is that of a header that nothing below can be read by."""


@dataclass(frozen=True, slots=True)
class Watched:
    """Whose file it is."""

    site: str
    device: str
    path: str


@dataclass(slots=True)
class Place:
    """How far a file has been read.

    ``position`` is in bytes, ``line`` counts lines read. ``within_line``: the position is inside
    a line that was too long, and what is left of it is passed over. ``done``: a dropped file is
    read to its end and only has to be moved away.
    """

    inode: str
    position: int = 0
    line: int = 0
    within_line: bool = False
    fingerprint: str | None = None
    columns: Columns | None = None
    held: str | None = None
    done: bool = False


def load(connection: Connection, of: Watched) -> Place | None:
    """Give the place in a file, or None where it was never read."""
    row = connection.execute(select(TAIL).where(_is(of))).one_or_none()
    if row is None:
        return None
    return Place(
        inode=row.inode,
        position=row.position,
        line=row.line,
        within_line=row.within_line,
        fingerprint=row.fingerprint,
        columns=None if row.header is None else tuple(json.loads(row.header)),
        held=row.held,
        done=row.done,
    )


def save(connection: Connection, of: Watched, place: Place) -> None:
    """Keep the place in a file."""
    values = asdict(place)
    columns = values.pop("columns")
    values["header"] = None if columns is None else json.dumps(columns)
    values["read_at"] = datetime.now(UTC)
    replace_row(connection, TAIL, {**asdict(of), **values})


def forget(connection: Connection, of: Watched) -> None:
    """Forget a file that was moved away."""
    connection.execute(delete(TAIL).where(_is(of)))


def _is(of: Watched) -> ColumnElement[bool]:
    return and_(TAIL.c.site == of.site, TAIL.c.device == of.device, TAIL.c.path == of.path)
