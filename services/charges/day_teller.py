"""The loop that reconciles each day of which something changed, and tells what it found."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from threading import Event
from typing import Final

import structlog
from sqlalchemy import Connection

from schemas.conclusions import BooksReconciled, DayReconciled
from schemas.envelope import Message, Source, new_id
from schemas.group import Group
from schemas.reconciliation import ReconciliationRules
from services.charges import day_store
from services.charges.books_store import LoadedBooks, load_books
from services.charges.compared import Class, Finding, Posted
from services.charges.control_totals import ControlTotalError, control_totals
from services.charges.day_books import ReadBack, books_told
from services.charges.exceptions import worklist
from services.charges.reconcile import reconcile
from services.charges.reconcile_store import whole_readings
from services.charges.reconciling import Reconciler
from services.runtime.store import Store, StoreUnavailable
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

SERVICE: Final = "charges"
_LOOK_S: Final = 0.5
_LOOK_AGAIN: Final = timedelta(seconds=5)


@dataclass(slots=True)
class DayTeller:
    """Tells each revision of a day once, however many of these look at the same time.

    ``read_back_s``: every how many seconds the record's lines are read.
    """

    store: Store
    group: Group
    rules: ReconciliationRules
    read_back_s: float
    wake: Callable[[], None]
    _faulted: set[tuple[str, date]] = field(default_factory=set)

    def run(self, stop: Event) -> None:
        """Look until stopped. A store that is away is only waited for."""
        while not stop.is_set():
            try:
                while self.look(datetime.now(UTC)) and not stop.is_set():
                    pass
            except StoreUnavailable as error:
                log.warning("day_teller_waits", reason=str(error))
            stop.wait(_LOOK_S)

    def look(self, now: datetime) -> int:
        """Tell the days that are due by now; give how many were looked at."""
        known = {site.name for site in self.group.sites}
        with self.store.read() as connection:
            due = day_store.due_days(connection, now)
        for site, day in due:
            with self.store.begin() as connection:
                work = Work(connection, self.store)
                work.lock(f"charges-day:{site}:{day}")
                # First the mark and then the books: what changes meanwhile marks it again.
                if day_store.take_mark(connection, site, day, now) and site in known:
                    self._tell(work, site, day, now)
                work.flush(SERVICE)
        if due:
            self.wake()
        return len(due)

    def _tell(self, work: Work, site: str, day: date, now: datetime) -> None:
        connection = work.connection
        reading = self._reading(connection, site, day, now)
        loaded = load_books(connection, site, day, day, self.rules)
        try:
            books = tuple(self._books(connection, site, day, reading, loaded))
        except ControlTotalError as error:
            # The books may have changed while they were read: only the second time is it a fault.
            if (site, day) not in self._faulted:
                self._faulted.add((site, day))
                day_store.mark_days(connection, {(site, day): now + _LOOK_AGAIN})
                return
            log.error("day_does_not_balance", site=site, day=str(day), reason=str(error))
            currencies = sorted({one.books.currency for one in loaded})
            books = tuple(
                BooksReconciled(currency=one, fault=str(error)[:2000]) for one in currencies
            )
        else:
            self._faulted.discard((site, day))
        revision, digest = day_store.told_before(connection, site, day)
        told = DayReconciled(
            revision=revision + 1, day=day, read_at=reading.read_at.get(day), books=books
        )
        content = sha256(told.model_dump_json(exclude={"revision"}).encode()).hexdigest()
        if content == digest or (revision == 0 and not books):
            return
        day_store.note_told(connection, site, day, told.revision, content)
        work.emit(
            Message(
                id=new_id(),
                group=self.group.name,
                site=site,
                occurred_at=now,
                received_at=now,
                source=Source(kind="service", name=SERVICE),
                correlation_id=f"reconciled-{site}-{day}",
                payload=told,
            )
        )

    def _reading(self, connection: Connection, site: str, day: date, now: datetime) -> ReadBack:
        return ReadBack(
            whole_readings(connection, site, day, day),
            day_store.was_ever_read(connection, site),
            timedelta(seconds=2 * self.read_back_s),
            now,
        )

    def _books(
        self,
        connection: Connection,
        site: str,
        day: date,
        reading: ReadBack,
        loaded: list[LoadedBooks],
    ) -> Iterator[BooksReconciled]:
        today = reading.now.astimezone(self.group.site(site).zone).date()
        reconciler = Reconciler(self.group, self.rules)
        decisions, agreements = reconciler.decided(connection, site, day, day)
        for one in loaded:
            findings = reconcile(one.books, self.rules, today)
            own = [finding for finding in findings if finding.day == day]
            if not own and not any(imaged.day == day for imaged in one.imaged):
                continue
            totals = control_totals(site, one.imaged, one.books, findings, frozenset({day}))[day]
            listed = worklist(site, own, self.rules, decisions, agreements, today)
            self._mark_changes(connection, site, day, own, reading)
            yield books_told(one.books, findings, listed, totals, day, reading)

    def _mark_changes(
        self, connection: Connection, site: str, day: date, own: list[Finding], reading: ReadBack
    ) -> None:
        """Have the day looked at again when time alone makes something late or missing of it."""
        moments = [
            at
            for finding in own
            if reading.ever and (at := reading.settles_at(finding)) is not None
        ]
        if any(
            one.kind is Class.OPEN and one.expected and one.expected.state is Posted.WAITING
            for one in own
        ):
            late = day + timedelta(days=self.rules.late_after_days + 1)
            zone = self.group.site(site).zone
            moments.append(datetime.combine(late, time(), zone).astimezone(UTC))
        if moments:
            day_store.mark_days(connection, {(site, day): min(moments)})
