"""The poster: brings waiting postings to the record, in order for each patient."""

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from threading import Event

import structlog

from schemas.envelope import Source
from services.records import answers, store
from services.records.port import PatientRecord, RecordError, RecordUnavailable
from services.records.postings import post
from services.records.store import PostingRow
from services.runtime.store import Store, StoreUnavailable
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

SERVICE = "records"
_CLAIM = "poster"
_PAGE = 100
_FIRST_WAIT_S = 1.0
_LONGEST_WAIT_S = 300.0
_OUTAGE_AFTER = 3
"""So many failures in a row mean that the record is away: the rest of the round is spared."""


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Poster:
    """Posts what waits, one process at a time.

    A posting is marked, and its answer told, in one transaction after the record has answered.
    Killed in between, it is posted again under the same key, and the record answers as before.
    """

    def __init__(
        self,
        store_: Store,
        record: PatientRecord,
        wake: Callable[[], None],
        poll_s: float,
        now: Callable[[], datetime] = _utc_now,
    ) -> None:
        self._store = store_
        self._record = record
        self._wake = wake
        self._poll_s = poll_s
        self._source = Source(kind="record", name=record.NAME)
        self._random = random.Random()
        self._now = now

    def run(self, stop: Event) -> None:
        """Post until stopped; trouble with record or store only delays."""
        while not stop.is_set():
            try:
                with self._store.exclusive(_CLAIM) as mine:
                    while mine and not stop.is_set():
                        if self.post_due(stop) == 0:
                            stop.wait(self._poll_s)
                stop.wait(1.0)
            except StoreUnavailable as error:
                log.warning("poster_waits", reason=str(error))
                stop.wait(_FIRST_WAIT_S)

    def post_due(self, stop: Event | None = None) -> int:
        """Post the first due posting of each patient; give the number that were answered."""
        with self._store.read() as connection:
            rows = store.due(connection, self._now(), _PAGE)
        answered = failures = 0
        for row in rows:
            if (stop is not None and stop.is_set()) or failures >= _OUTAGE_AFTER:
                break
            if self._post(row):
                answered += 1
                failures = 0
            else:
                failures += 1
        if answered:
            self._wake()
        return answered

    def _post(self, row: PostingRow) -> bool:
        try:
            answer = post(self._record, row)
        except RecordUnavailable as error:
            self._put_off(row, error)
            return False
        except RecordError as error:
            self._put_off(row, error)
            log.error("record_refuses", posting_key=row.posting_key, reason=str(error))
            return False
        except Exception as error:
            # A defect in one posting or adapter must not stop the other patients' postings.
            log.exception("posting_failed", posting_key=row.posting_key)
            self._put_off(row, error)
            return False
        said = answers.said(answer)
        with self._store.begin() as connection:
            work = Work(connection, self._store)
            answers.mark(work, row, said, self._source, answers.UNANSWERED)
            work.flush(SERVICE)
        log.info(
            "posting_answered",
            posting_key=row.posting_key,
            outcome=said.outcome.value,
            correlation_id=row.correlation_id,
        )
        return True

    def _put_off(self, row: PostingRow, error: Exception) -> None:
        attempts = row.attempts + 1
        wait_s = back_off_s(attempts, self._random)
        log.warning(
            "posting_waits",
            posting_key=row.posting_key,
            attempts=attempts,
            wait_s=round(wait_s, 2),
            reason=str(error),
        )
        next_try_at = self._now() + timedelta(seconds=wait_s)
        with self._store.begin() as connection:
            store.put_off(
                connection, row.posting_key, attempts, next_try_at, answers.fit(str(error))
            )


def back_off_s(attempts: int, chance: random.Random) -> float:
    """Give the wait in s before the next try: doubling from 1 s to 300 s, spread by half.

    The spread keeps many postings from coming back at the same moment.
    """
    longest = min(_FIRST_WAIT_S * 2.0 ** min(attempts - 1, 30), _LONGEST_WAIT_S)
    return longest * chance.uniform(0.5, 1.0)
