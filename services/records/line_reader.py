"""The reader: tells what the record holds, day by day, where it is not as it was told last."""

import json
from collections import defaultdict
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from threading import Event

import structlog
from sqlalchemy import Column, Connection, Date, String, Table, select

from schemas.channels import Exchange
from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import RecordLine, RecordLinesRead
from schemas.facts.record_lines import MAX_LINES_IN_PART
from schemas.group import Group, Site
from services.records.bar import Bar, Met
from services.records.port import PatientRecord, RecordBarred, RecordError, Unreadable
from services.records.poster import SERVICE
from services.runtime import triage
from services.runtime.store import Store, StoreUnavailable
from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.upsert import replace_row
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

DAY_READ = Table(
    "records_day_read",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True),
    Column("sha256", String(64), nullable=False),
    Column("read_at", UtcDateTime, nullable=False),
)
"""What was told of each day last, as a digest: a day that did not change is not told again."""

_CLAIM = "record-line-reader"
_ORIGIN = "record"


class LineReader:
    """Reads the record back, one process at a time, and tells each day that changed.

    The fact and the mark that it was told commit together: killed in between, the day is read
    and told again.
    """

    def __init__(
        self,
        store: Store,
        record: PatientRecord,
        wake: Callable[[], None],
        group: Group,
        every_s: float,
        days: int,
    ) -> None:
        self._store = store
        self._record = record
        self._wake = wake
        self._group = group
        self._every_s = every_s
        self._days = days
        self._source = Source(kind="record", name=record.NAME)
        self._bar = Bar(store, record.NAME, SERVICE, reading=True)

    def run(self, stop: Event) -> None:
        """Read until stopped; trouble with record or store only delays."""
        while not stop.is_set():
            try:
                with self._store.exclusive(_CLAIM) as mine:
                    self._bar.ask_anew()
                    while mine and not stop.is_set():
                        self._read_all()
                        stop.wait(self._every_s)
                stop.wait(1.0)
            except (RecordError, StoreUnavailable) as error:
                log.warning("line_reader_waits", reason=str(error))
                stop.wait(self._every_s)

    def _read_all(self) -> None:
        for site in self._group.sites:
            self.read_site(site)

    def read_site(self, site: Site) -> None:
        """Read a site's last days; tell as a task what bars it, once, and once more when mended.

        Raises RecordError and StoreUnavailable.
        """
        today = datetime.now(site.zone).date()
        by = Met(self._group.name, site.name, str(new_id()))
        try:
            # A day after today too: a line may be entered ahead, or by another clock.
            self.read(site.name, today - timedelta(days=self._days), today + timedelta(days=1))
        except RecordBarred as barred:
            self._bar.met(barred, by, datetime.now(UTC))
            raise
        self._bar.passed(by, datetime.now(UTC))

    def read(self, site: str, first: date, last: date) -> int:
        """Read some days of a site and tell those that changed; give how many did.

        Raises RecordError and StoreUnavailable.
        """
        read_at = datetime.now(UTC)
        by_day: dict[date, list[RecordLine]] = defaultdict(list)
        for item in self._record.read_lines(site, first, last):
            if isinstance(item, Unreadable):
                self._keep(item)
            else:
                by_day[item.service_day].append(item)
        with self._store.read() as connection:
            told = told_of(connection, site, first, last)
        changed = 0
        for day in sorted(by_day.keys() | told.keys()):
            lines = sorted(by_day[day], key=lambda line: line.line_id)
            digest = digest_of(lines)
            if told.get(day) != digest:
                self._tell(site, day, lines, digest, read_at)
                changed += 1
        if changed:
            self._wake()
        return changed

    def _tell(
        self, site: str, day: date, lines: Sequence[RecordLine], digest: str, read_at: datetime
    ) -> None:
        parts = max(1, -(-len(lines) // MAX_LINES_IN_PART))
        with self._store.begin() as connection:
            work = Work(connection, self._store)
            for number in range(parts):
                own = lines[number * MAX_LINES_IN_PART : (number + 1) * MAX_LINES_IN_PART]
                fact = RecordLinesRead(
                    day=day, read_at=read_at, part=number + 1, parts=parts, lines=tuple(own)
                )
                work.emit(self._message(site, fact, read_at), Exchange.OFFERS)
            _mark(connection, site, day, digest, read_at)
            work.flush(SERVICE)
        log.info("record_day_told", site=site, day=str(day), lines=len(lines))

    def _message(self, site: str, fact: RecordLinesRead, at: datetime) -> Message[Payload]:
        message_id = new_id()
        return Message(
            id=message_id,
            group=self._group.name,
            site=site,
            occurred_at=at,
            received_at=at,
            source=self._source,
            correlation_id=str(message_id),
            payload=fact,
        )

    def _keep(self, item: Unreadable) -> None:
        with self._store.begin() as connection:
            kept = triage.Kept(
                service=SERVICE, origin=_ORIGIN, error=item.error, body=item.body, kind=item.kind
            )
            triage.keep(connection, [kept])
        self._record.settle(item)
        log.warning("record_line_kept_for_triage", field=item.error.field, token=item.token)


def digest_of(lines: Sequence[RecordLine]) -> str:
    """Give the digest of a day's lines, in order of their ids."""
    body = [line.model_dump(mode="json") for line in lines]
    return sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def told_of(connection: Connection, site: str, first: date, last: date) -> dict[date, str]:
    """Give the digest that was told last of each day."""
    rows = connection.execute(
        select(DAY_READ).where(DAY_READ.c.site == site, DAY_READ.c.day.between(first, last))
    )
    return {row.day: row.sha256 for row in rows}


def _mark(connection: Connection, site: str, day: date, digest: str, at: datetime) -> None:
    row = {"site": site, "day": day, "sha256": digest, "read_at": at}
    replace_row(connection, DAY_READ, row)
