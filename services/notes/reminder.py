"""The loop that looks, every minute, whether a note has waited too long for its signature."""

from collections.abc import Callable
from datetime import UTC, datetime
from threading import Event

import structlog

from schemas.envelope import Message, Source, new_id
from schemas.group import Group
from services.notes import store as notes_store
from services.notes.reminders import reminder_due, reminders_passed
from services.notes.store import Waiting
from services.runtime.store import Store, StoreUnavailable
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

SERVICE = "notes"
EVERY_S = 60.0


class Reminder:
    """Tells each reminder once, however many of these look at the same time."""

    def __init__(self, store: Store, group: Group, wake: Callable[[], None]) -> None:
        self._store = store
        self._group = group
        self._wake = wake

    def run(self, stop: Event) -> None:
        """Look until stopped. A store that is away is only waited for."""
        while not stop.is_set():
            try:
                self.look(datetime.now(UTC))
            except StoreUnavailable as error:
                log.warning("reminders_wait", reason=str(error))
            stop.wait(EVERY_S)

    def look(self, now: datetime) -> int:
        """Tell every reminder that is due by now; give how many."""
        hours = {site.name: site for site in self._group.sites}
        with self._store.read() as connection:
            waiting = notes_store.waiting_notes(connection)
        told = 0
        for one in waiting:
            site = hours.get(one.site)
            if site is None or reminders_passed(one.waiting_since, now, site) <= one.reminded:
                continue
            told += self._tell(one, now)
        if told:
            self._wake()
        return told

    def _tell(self, waiting: Waiting, now: datetime) -> bool:
        site, study = self._group.site(waiting.site), waiting.study_instance_uid
        with self._store.begin() as connection:
            work = Work(connection, self._store)
            work.lock(f"notes:{study}")
            kept = notes_store.read_note(connection, site.name, study)
            if kept.waiting_since is None:
                return False
            task = reminder_due(kept.file, kept.waiting_since, kept.reminded, now, site)
            if task is None:
                return False
            notes_store.note_reminded(connection, waiting, task.reminder)
            work.emit(
                Message(
                    id=new_id(),
                    group=self._group.name,
                    site=site.name,
                    occurred_at=now,
                    received_at=now,
                    source=Source(kind="service", name=SERVICE),
                    correlation_id=f"study-{study}",
                    payload=task,
                )
            )
            work.flush(SERVICE)
        log.warning("note_unsigned", site=site.name, reminder=task.reminder, age_h=task.age_hours)
        return True
