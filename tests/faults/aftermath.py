"""After the last fault: wait until nothing is under way, and look what was left."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass
from urllib.parse import unquote, urlsplit

import psycopg

from tests.bench.workplace import without_driver
from tests.faults.deployment import Deployment
from tests.faults.message_faults import TAP
from tests.faults.truth import Poison, read_acknowledged

QUIET_LOOKS = 4
LOOK_S = 2.0

UNDER_WAY = """
SELECT (SELECT count(*) FROM runtime_outbox) AS outbox,
       (SELECT count(*) FROM records_posting WHERE state = 'waiting') AS postings,
       (SELECT count(*) FROM runtime_inbox) AS handled
"""
TRIAGED = """
SELECT service, origin, coalesce(kind, ''), field, value, expected, body
FROM runtime_triage WHERE state = 'open'
"""

VOID_SIGNATURE = ("notes", "note_signed", "payload.note_sha256")
"""What becomes of a signature for a draft that changed while the vet read it, and rightly so."""


class NeverQuietError(AssertionError):
    """Something was still under way when patience was over; says what."""


@dataclass(frozen=True, slots=True)
class Left:
    """What lay where in the end. ``kept`` is sound input that went to triage, by reason."""

    facts: int
    postings: Counter[str]
    poison_kept: int
    void_signatures: int
    kept: Counter[str]


def wait_until_quiet(place: Deployment, patience_s: float) -> float:
    """Wait until queues, outboxes and postings are empty and stay so; give how long it took."""
    began = time.monotonic()
    quiet, before = 0, ""
    while quiet < QUIET_LOOKS:
        with psycopg.connect(without_driver(place.doors.store_url)) as session:
            row = session.execute(UNDER_WAY).fetchone()
        assert row is not None
        waiting = _messages(place)
        outbox, postings, handled = row
        seen = f"{outbox} in outboxes, {postings} postings, {waiting} messages in queues"
        place.note(seen)
        still = outbox == postings == waiting == 0 and before == str(handled)
        quiet, before = (quiet + 1 if still else 0), str(handled)
        if time.monotonic() - began > patience_s:
            raise NeverQuietError(f"after {patience_s:.0f} s: {seen}")
        time.sleep(LOOK_S)
    return time.monotonic() - began - QUIET_LOOKS * LOOK_S


def _messages(place: Deployment) -> int:
    """Count what lies in the queues, also what is in hand or waits for its time."""
    vhost = unquote(urlsplit(place.direct_bus_url).path.removeprefix("/"))
    counted = place.broker.evaluate(
        "lists:sum([M || [{name, {resource, _, queue, Q}}, {messages, M}] <- "
        f'rabbit_amqqueue:info_all(<<"{vhost}">>, [name, messages]), '
        f'is_integer(M), Q =/= <<"{TAP}">>]).'
    )
    return int(counted)


def look(place: Deployment) -> Left:
    """Count what is in the store; all of it by plain SQL."""
    told = read_acknowledged(place.folder)
    marks = [one.mark.encode() for one in told if isinstance(one, Poison)]
    kept: Counter[str] = Counter()
    poison = void = 0
    with psycopg.connect(without_driver(place.doors.store_url)) as session:
        row = session.execute("SELECT count(*) FROM intake_fact").fetchone()
        states = session.execute("SELECT state, count(*) FROM records_posting GROUP BY state")
        postings = Counter({str(state): int(count) for state, count in states})
        for service, origin, kind, field, value, expected, body in session.execute(TRIAGED):
            if any(mark in bytes(body) for mark in marks):
                poison += 1
            elif (service, kind, field) == VOID_SIGNATURE:
                void += 1
            else:
                reason = f"{service} {origin} {kind}: {field}: {value[:80]} ({expected[:120]})"
                kept[reason] += 1
    assert row is not None
    return Left(int(row[0]), postings, poison, void, kept)
