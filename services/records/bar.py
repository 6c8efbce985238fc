"""What bars posting or reading until a person acts: told once, and once more when mended."""

from dataclasses import dataclass
from datetime import datetime
from typing import Self
from uuid import UUID

import structlog
from sqlalchemy import Column, Connection, Integer, String, Table, Text, select

from schemas.conclusions import RecordTask
from schemas.envelope import Message, Source, new_id
from services.records.answers import fit
from services.records.port import RecordBarred
from services.records.store import PostingRow
from services.runtime.store import Store
from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.upsert import replace_row
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

BAR = Table(
    "records_bar",
    METADATA,
    Column("record", String(64), primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("fault", String(64), nullable=False),
    Column("since", UtcDateTime, nullable=False),
    Column("words", Text, nullable=False),
    Column("next_action", Text, nullable=False),
    Column("mended_at", UtcDateTime),
)
"""The last that was told of each record; ``mended_at`` while nothing bars it."""

_READING = "-lines"
"""Marks what bars the reading of lines, which may fail where posting does not."""
_ROOM = 64 - len(_READING)
_LOCK = "records-bar"


def standing(connection: Connection) -> list[RecordTask]:
    """Give what bars postings and reading now."""
    rows = connection.execute(select(BAR).where(BAR.c.mended_at.is_(None)).order_by(BAR.c.record))
    return [RecordTask.model_validate(dict(row._mapping)) for row in rows]


@dataclass(frozen=True, slots=True)
class Met:
    """What was under way when a fault was met or the record answered again."""

    group: str
    site: str
    correlation_id: str
    causation_id: UUID | None = None

    @classmethod
    def by(cls, row: PostingRow) -> Self:
        """Take them from a posting."""
        return cls(row.group_name, row.site, row.correlation_id, UUID(row.message_id))


class Bar:
    """What bars one record. The row is the truth; a poster that takes over asks it anew.

    ``reading``: a bar of its own, of the reading of lines. A fault that stands at one of the two
    is not told at the other.
    """

    def __init__(self, store: Store, record: str, service: str, *, reading: bool = False) -> None:
        self._store = store
        own, other = record, f"{record[:_ROOM]}{_READING}"
        self._record, self._other = (other, own) if reading else (own, other)
        self._service = service
        self._may_stand = True

    def ask_anew(self) -> None:
        """Take nothing for known: another poster may have been at work."""
        self._may_stand = True

    def met(self, barred: RecordBarred, by: Met, now: datetime) -> None:
        """Tell a fault that is not told yet. Raises StoreUnavailable."""
        self._may_stand = True
        with self._store.begin() as connection:
            # Poster and reader may meet one fault at once, and it is told once.
            Work(connection, self._store).lock(_LOCK)
            last, other = self._last(connection, self._record), self._last(connection, self._other)
            stand = [one for one in (last, other) if one is not None and one.mended_at is None]
            if any(one.fault == barred.fault for one in stand):
                return
            task = RecordTask(
                revision=last.revision + 1 if last is not None else 1,
                record=self._record,
                fault=barred.fault,
                since=now,
                words=fit(barred.words),
                next_action=fit(barred.next_action),
            )
            self._tell(connection, task, by, now)
        log.error("record_bars_us", fault=task.fault, words=task.words, next=task.next_action)

    def passed(self, by: Met, now: datetime) -> None:
        """Tell that the record answers again, if it did not. Raises StoreUnavailable."""
        if not self._may_stand:
            return
        with self._store.begin() as connection:
            last = self._last(connection, self._record)
            if last is not None and last.mended_at is None:
                mended = {"revision": last.revision + 1, "mended_at": now}
                self._tell(connection, last.model_copy(update=mended), by, now)
                log.info("record_takes_us_again", fault=last.fault)
        self._may_stand = False

    def _last(self, connection: Connection, record: str) -> RecordTask | None:
        row = connection.execute(select(BAR).where(BAR.c.record == record)).one_or_none()
        return RecordTask.model_validate(dict(row._mapping)) if row is not None else None

    def _tell(self, connection: Connection, task: RecordTask, by: Met, now: datetime) -> None:
        replace_row(connection, BAR, task.model_dump())
        work = Work(connection, self._store)
        work.emit(
            Message(
                id=new_id(),
                group=by.group,
                site=by.site,
                occurred_at=now,
                received_at=now,
                source=Source(kind="service", name=self._service),
                correlation_id=by.correlation_id,
                causation_id=by.causation_id,
                payload=task,
            )
        )
        work.flush(self._service)
