"""The poster: brings waiting postings to the record, in order for each patient."""

import random
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from functools import partial
from threading import Event

import structlog

from schemas.envelope import Source
from schemas.facts import PostingOutcome
from services.records import answers, store
from services.records.answers import Said
from services.records.bar import Bar, Met
from services.records.dependence import HoldBack, Wait, Withdraw, dependence, depends
from services.records.holding import mapped_only
from services.records.pacing import FIRST_WAIT_S, Breaker, Gate, SiteRate, wait_s
from services.records.port import (
    ChargeAnswer,
    PatientRecord,
    PeriodClosed,
    RecordBarred,
    RecordError,
    RecordRefused,
    RecordUnavailable,
    Rejected,
)
from services.records.postings import charge_posting, post, why_unreadable
from services.records.store import PostingRow, PostingState, Verb
from services.records.waiting import measure
from services.runtime.metrics import RECORD_BREAKER_OPEN
from services.runtime.store import Claim, Store, StoreUnavailable
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

SERVICE = "records"
_CLAIM = "poster"
_PAGE = 100
_MEASURE_S = 5.0
_WORTH_TOGETHER = 2


def _goes_together(row: PostingRow) -> bool:
    """Tell whether a posting may go with others: a charge that never left and follows none."""
    return row.verb == Verb.CHARGE.value and not row.maybe_sent and not depends(row)


def _utc_now() -> datetime:
    return datetime.now(UTC)


def _is_over(stop: Event, mine: Claim) -> bool:
    return stop.is_set() or not mine


class Poster:
    """Posts what waits, one process at a time.

    That a posting may reach the record is noted before it leaves, and its answer is marked and
    told in one transaction after the record has answered. Killed in between, or without an
    answer, the record is asked for the key before anything is repeated, once it has had the time
    to finish what it was sent.
    """

    def __init__(
        self,
        store_: Store,
        record: PatientRecord,
        wake: Callable[[], None],
        poll_s: float,
        now: Callable[[], datetime] = _utc_now,
        *,
        per_minute: int | None = None,
    ) -> None:
        self._store = store_
        self._record = record
        self._wake = wake
        self._poll_s = poll_s
        self._source = Source(kind="record", name=record.NAME)
        self._random = random.Random()
        self._now = now
        self._breaker = Breaker(self._random)
        self._bar = Bar(store_, record.NAME, SERVICE)
        self._rate = SiteRate(per_minute)
        self._measured_at: datetime | None = None

    def run(self, stop: Event) -> None:
        """Post until stopped; trouble with record or store only delays."""
        while not stop.is_set():
            try:
                with self._store.exclusive(_CLAIM) as mine:
                    self._bar.ask_anew()
                    if mine:
                        self._await_what_was_sent()
                    over = partial(_is_over, stop, mine)
                    while not over():
                        if self.post_due(over) == 0:
                            stop.wait(self._poll_s)
                        self._measure()
                stop.wait(1.0)
            except StoreUnavailable as error:
                log.warning("poster_waits", reason=str(error))
                stop.wait(FIRST_WAIT_S)

    def _await_what_was_sent(self) -> None:
        """Give the record time to finish what the poster before us may have sent."""
        within = timedelta(seconds=self._record.answers_within_s)
        if not within:
            return
        with self._store.begin() as connection:
            held = store.hold_sent(connection, self._now() + within)
        if held:
            log.info("sent_postings_rest", postings=held, seconds=within.total_seconds())

    def post_due(self, over: Callable[[], bool] = lambda: False) -> int:
        """Post the first due posting of each patient; give the number that were answered.

        ``over`` is asked before each: then nothing more is for us to send. While the record is
        away nothing goes out, and then one posting first. A site that has used up its rate waits
        without holding up the others.
        """
        chosen = self._chosen()
        rows = self._readable(chosen)
        if unsent := [row.posting_key for row in rows if not row.maybe_sent]:
            with self._store.begin() as connection:
                store.mark_sent(connection, unsent)
        together = self._post_together(rows)
        answered = len(chosen) - len(rows)
        for row in rows:
            if over() or self._gate() is Gate.OPEN:
                break
            told = together.get(row.posting_key) if together else None
            if _goes_together(row) and told is None and together != {}:
                continue  # it may have arrived: at its next try it is asked for
            answered += self._post(row, told)
        RECORD_BREAKER_OPEN.set(self._gate() is not Gate.CLOSED)
        if answered:
            self._wake()
        return answered

    def _gate(self) -> Gate:
        return self._breaker.gate(self._now())

    def _chosen(self) -> list[PostingRow]:
        """Choose what to try in this round."""
        now, gate = self._now(), self._gate()
        if gate is Gate.OPEN:
            return []
        with self._store.read() as connection:
            due = store.due(connection, now, _PAGE, self._rate.spent(now))
        rows = mapped_only(self._store, self._record, due, now)
        if gate is Gate.PROBE:
            # The one that failed least: a posting with a trouble of its own tells little.
            rows = sorted(rows, key=lambda row: row.attempts)[:1]
        return [row for row in rows if self._rate.take(row.site, now)]

    def _readable(self, rows: list[PostingRow]) -> list[PostingRow]:
        """Leave out what is stored and cannot be read: it goes to a person, and nothing leaves."""
        read = []
        for row in rows:
            reason = why_unreadable(row)
            if reason is None:
                read.append(row)
                continue
            log.error("stored_posting_not_read", posting_key=row.posting_key, reason=reason)
            words = (
                f"not sent now: {reason}; have its row in records_posting restored from a backup"
            )
            self._mark(row, Said(PostingOutcome.REJECTED, None, answers.fit(words)))
        return read

    def _measure(self) -> None:
        now, last = self._now(), self._measured_at
        # A clock that has been put back is no reason to stop.
        if last is None or not last <= now < last + timedelta(seconds=_MEASURE_S):
            measure(self._store, now)
            self._measured_at = now

    def _post_together(self, rows: list[PostingRow]) -> Mapping[str, ChargeAnswer] | None:
        """Post what can go in one exchange; None where that failed and all of it is put off."""
        chosen = [row for row in rows if _goes_together(row)]
        if len(chosen) < _WORTH_TOGETHER:
            return {}
        try:
            answers_ = self._record.post_charges([charge_posting(row) for row in chosen])
        except RecordError as error:
            self._failed(chosen, error)
        except Exception as error:
            log.exception("postings_failed_together")
            for row in chosen:
                self._put_off(row, str(error))
        else:
            if answers_:
                self._answered(chosen[0])
            return answers_
        return None

    def _failed(self, rows: list[PostingRow], error: RecordError) -> None:
        """Put off what the record could not take now; tell where a person must act for all."""
        retry_after_s = error.retry_after_s if isinstance(error, RecordUnavailable) else None
        self._breaker.failed(self._now(), retry_after_s)
        for row in rows:
            self._put_off(row, str(error), retry_after_s)
        if isinstance(error, RecordBarred):
            self._bar.met(error, Met.by(rows[0]), self._now())
        elif isinstance(error, RecordRefused):
            keys = [row.posting_key for row in rows]
            log.error("record_refuses", posting_keys=keys, reason=str(error))

    def _post(self, row: PostingRow, told: ChargeAnswer | None = None) -> bool:
        try:
            settled = told or self._settled_here(row)
            if isinstance(settled, Wait):
                self._put_off(row, f"{row.posting_key} waits for the answer to its charge")
                return False
            answer = settled or self._answer(row)
        except RecordError as error:
            self._failed([row], error)
            return False
        except Exception as error:
            # A defect in one posting or adapter must not stop the other patients' postings.
            log.exception("posting_failed", posting_key=row.posting_key)
            self._put_off(row, str(error))
            return False
        if isinstance(answer, PeriodClosed):
            self._move(row, answer)
            return True
        self._mark(row, answer if isinstance(answer, Said) else answers.said(answer, row))
        return True

    def _mark(self, row: PostingRow, said: Said) -> None:
        """Mark and tell an answer in one transaction."""
        with self._store.begin() as connection:
            work = Work(connection, self._store)
            answers.mark(work, row, said, self._source, answers.UNANSWERED)
            if said.outcome is PostingOutcome.WITHDRAWN:
                self._withdraw_charge(work, row, said)
            work.flush(SERVICE)
        log.info(
            "posting_answered",
            posting_key=row.posting_key,
            outcome=said.outcome.value,
            correlation_id=row.correlation_id,
        )

    def _settled_here(self, row: PostingRow) -> Said | Wait | None:
        """Settle what the record need not or must not be told as things stand."""
        if not depends(row):
            return None
        with self._store.read() as connection:
            study = store.of_study(connection, row.study_instance_uid)
        stands = dependence(row, study)
        if isinstance(stands, Wait):
            return stands
        if isinstance(stands, Withdraw):
            words = (
                f"nothing to take back: {stands.charge.posting_key} was rejected by the record: "
                f"{stands.charge.words}"
            )
            return Said(PostingOutcome.WITHDRAWN, None, answers.fit(words))
        if isinstance(stands, HoldBack):
            return Said(PostingOutcome.REJECTED, None, answers.fit(stands.words))
        return None

    def _withdraw_charge(self, work: Work, credit: PostingRow, said: Said) -> None:
        charge = store.get(work.connection, credit.body["entry"]["reverses"])
        if charge is not None:
            answers.mark(work, charge, said, self._source, (PostingState.REJECTED,))

    def _answer(self, row: PostingRow) -> ChargeAnswer:
        """Ask the record; a period that would not move us on is a rejection."""
        answer: ChargeAnswer = post(self._record, row)
        self._answered(row)
        if isinstance(answer, PeriodClosed):
            day = charge_posting(row).posting_day
            if answer.next_open_day <= day:
                return Rejected(f"{answer.words} (for {day}, then open on {answer.next_open_day})")
        return answer

    def _answered(self, row: PostingRow) -> None:
        self._breaker.answered()
        self._bar.passed(Met.by(row), self._now())

    def _move(self, row: PostingRow, closed: PeriodClosed) -> None:
        """Put a posting under the next open day; it goes out again at the next round."""
        words = answers.fit(f"{closed.words}; posted under {closed.next_open_day}")
        with self._store.begin() as connection:
            store.move(connection, row.posting_key, closed.next_open_day, words)
        log.info(
            "posting_moved",
            posting_key=row.posting_key,
            posting_day=closed.next_open_day.isoformat(),
            correlation_id=row.correlation_id,
        )

    def _put_off(self, row: PostingRow, reason: str, retry_after_s: float | None = None) -> None:
        attempts = row.attempts + 1
        longer_s = wait_s(attempts, retry_after_s, self._random)
        log.warning(
            "posting_waits",
            posting_key=row.posting_key,
            attempts=attempts,
            wait_s=round(longer_s, 2),
            reason=reason,
        )
        next_try_at = self._now() + timedelta(seconds=longer_s)
        with self._store.begin() as connection:
            store.put_off(connection, row.posting_key, attempts, next_try_at, answers.fit(reason))
