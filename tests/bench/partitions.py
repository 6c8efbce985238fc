"""Whether the table of facts should be parted: by month, by site, or not at all.

By hand, not in ``make bench``: ``nice python -m tests.bench.partitions --rows 1000000``. A private
PostgreSQL keeps the same invented facts of 24 months in three shapes of one table, and each is
asked and purged as the product asks and purges. What is told is processor time of the database's
own process, so that other work on the machine says little.
"""

from __future__ import annotations

import argparse
import json
import os
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import psycopg

from tests.bench.processor import processor_seconds
from tests.bench.workplace import without_driver
from tests.servers.postgresql import PostgreSQL, require_postgresql

MONTHS: Final = 24
SITES: Final = 200
HASHED: Final = 16
IN_A_STUDY: Final = 40
IN_A_BATCH: Final = 50
BODY_MD5S: Final = 28  # of 32 characters: 900 bytes, about an exposure's message

_COLUMNS = """
    site varchar(64) NOT NULL, natural_key varchar(400) NOT NULL, id varchar(36) NOT NULL,
    kind varchar(40) NOT NULL, occurred_at timestamptz NOT NULL, received_at timestamptz NOT NULL,
    study_instance_uid varchar(64), body bytea NOT NULL"""
_BEGAN = "timestamptz '2024-01-01 00:00+00'"
_AGE = f"{_BEGAN} + (n::float8 / %(rows)s) * interval '{MONTHS} months'"
_FILL = f"""
    INSERT INTO fact
    SELECT 'site-' || n %% {SITES}, 'exposure:INV-' || n %% {SITES} || ':' || n,
           md5(n::text)::uuid::text, 'exposure_ended', {_AGE}, {_AGE},
           '2.25.' || n / ({IN_A_STUDY} * {SITES}) * {SITES} + n %% {SITES},
           convert_to(repeat(md5((n * 7)::text), {BODY_MD5S}), 'UTF8')
    FROM generate_series(%(first)s, %(last)s) n"""
_KEEP = """
    INSERT INTO fact VALUES (%s, %s, %s, 'exposure_ended', %s, %s, %s, %s)
    ON CONFLICT DO NOTHING RETURNING id"""
# As services/intake/retention.py asks: old, and nothing newer of the same study.
_PURGE = """
    DELETE FROM fact WHERE occurred_at < %(before)s AND NOT EXISTS (
        SELECT 1 FROM fact newer WHERE newer.site = fact.site
        AND newer.study_instance_uid = fact.study_instance_uid
        AND newer.occurred_at >= %(before)s)"""

Session = psycopg.Connection[Any]


def _month(number: int) -> str:
    return f"{2024 + number // 12}-{number % 12 + 1:02}-01"


def _plain(session: Session) -> None:
    session.execute(f"CREATE TABLE fact ({_COLUMNS}, PRIMARY KEY (site, natural_key), UNIQUE (id))")
    session.execute("CREATE INDEX ON fact (study_instance_uid)")


def _by_month(session: Session) -> None:
    # Every key must hold the column that parts the table, so no key holds over two months.
    session.execute(
        f"CREATE TABLE fact ({_COLUMNS}, PRIMARY KEY (site, natural_key, occurred_at),"
        " UNIQUE (id, occurred_at)) PARTITION BY RANGE (occurred_at)"
    )
    session.execute("CREATE INDEX ON fact (study_instance_uid)")
    for number in range(MONTHS + 1):
        session.execute(
            f"CREATE TABLE fact_{number} PARTITION OF fact"
            f" FOR VALUES FROM ('{_month(number)}+00') TO ('{_month(number + 1)}+00')"
        )


def _by_site(session: Session) -> None:
    session.execute(
        f"CREATE TABLE fact ({_COLUMNS}, PRIMARY KEY (site, natural_key), UNIQUE (site, id))"
        " PARTITION BY HASH (site)"
    )
    session.execute("CREATE INDEX ON fact (study_instance_uid)")
    for number in range(HASHED):
        session.execute(
            f"CREATE TABLE fact_{number} PARTITION OF fact"
            f" FOR VALUES WITH (MODULUS {HASHED}, REMAINDER {number})"
        )


SHAPES: Final[dict[str, Callable[[Session], None]]] = {
    "one table": _plain,
    f"by month ({MONTHS + 1})": _by_month,
    f"by site ({HASHED})": _by_site,
}


@dataclass(frozen=True, slots=True)
class Shape:
    """What one shape of the table costs."""

    name: str
    keep_us: float
    by_key_us: float
    by_study_us: float
    plan_by_key_us: float
    purge_s: float
    purge_wal_mb: float
    vacuum_s: float
    size_mb: float
    size_after_mb: float


def measure(url: str, name: str, rows: int, asked: int) -> Shape:
    """Fill, ask, purge the oldest month, and give what each took."""
    with psycopg.connect(url, autocommit=True) as session:
        session.execute("DROP TABLE IF EXISTS fact")
        SHAPES[name](session)
        for first in range(0, rows, 100_000):
            last = min(first + 100_000, rows) - 1
            session.execute(_FILL, {"rows": rows, "first": first, "last": last})
        session.execute("VACUUM ANALYZE fact")
        session.execute("CHECKPOINT")
        size_mb = _size_mb(session)
        choice = random.Random(7)
        numbers = [choice.randrange(rows) for _ in range(asked)]
        by_key = _timed(
            session,
            "SELECT id, body FROM fact WHERE site = %s AND natural_key = %s",
            ((f"site-{n % SITES}", f"exposure:INV-{n % SITES}:{n}") for n in numbers),
        )
        by_study = _timed(
            session,
            "SELECT body FROM fact WHERE study_instance_uid = %s",
            ((f"2.25.{n // (IN_A_STUDY * SITES) * SITES + n % SITES}",) for n in numbers),
        )
        plan = _planned_us(session, numbers)
        keep = _kept_us(session, rows, asked // IN_A_BATCH)
        before = f"{_month(1)} 00:00+00"
        lsn = _scalar(session, "SELECT pg_current_wal_lsn()")
        began = _worked_s(session)
        if name.startswith("by month"):
            session.execute("DROP TABLE fact_0")
        else:
            session.execute(_PURGE, {"before": before})
        purge_s = _worked_s(session) - began
        wal = _scalar(session, "SELECT pg_wal_lsn_diff(pg_current_wal_lsn(), %s)", (lsn,))
        began = _worked_s(session)
        session.execute("VACUUM fact")
        vacuum_s = _worked_s(session) - began
        return Shape(
            name,
            keep,
            by_key,
            by_study,
            plan,
            purge_s,
            float(wal) / 1e6,
            vacuum_s,
            size_mb,
            _size_mb(session),
        )


def _worked_s(session: Session) -> float:
    """Give the processor time in seconds that the session's process at the database has had."""
    return processor_seconds([session.info.backend_pid])


def _timed(session: Session, query: str, arguments: Iterator[Sequence[str]]) -> float:
    """Give the mean µs of a question that the driver has prepared, found and fetched."""
    asked, began = 0, _worked_s(session)
    for one in arguments:
        assert session.execute(query, one, prepare=True).fetchall()
        asked += 1
    return (_worked_s(session) - began) / asked * 1e6


def _planned_us(session: Session, numbers: Sequence[int]) -> float:
    """Give the mean µs of planning a question by key that nobody has prepared."""
    began = _worked_s(session)
    for n in numbers:
        session.execute(
            "EXPLAIN SELECT id, body FROM fact"
            f" WHERE site = 'site-{n % SITES}' AND natural_key = 'exposure:INV-{n % SITES}:{n}'"
        )
    return (_worked_s(session) - began) / len(numbers) * 1e6


def _kept_us(session: Session, rows: int, batches: int) -> float:
    """Give the mean µs for one new fact, in transactions of fifty."""
    body = b"x" * (BODY_MD5S * 32)
    at = f"{_month(MONTHS - 1)} 12:00+00"
    began = _worked_s(session)
    for batch in range(batches):
        with session.transaction():
            for number in range(rows + batch * IN_A_BATCH, rows + (batch + 1) * IN_A_BATCH):
                place = number % SITES
                key, study = f"exposure:INV-{place}:{number}", f"2.25.{number // IN_A_STUDY}"
                fact = (f"site-{place}", key, f"new-{number}", at, at, study, body)
                session.execute(_KEEP, fact, prepare=True)
    return (_worked_s(session) - began) / (batches * IN_A_BATCH) * 1e6


def _size_mb(session: Session) -> float:
    query = (
        "SELECT sum(pg_total_relation_size(oid)) FROM pg_class"
        " WHERE relkind = 'r' AND relname LIKE 'fact%'"
    )
    return float(_scalar(session, query)) / 1e6


def _scalar(session: Session, query: str, arguments: Sequence[Any] = ()) -> Any:
    row = session.execute(query, arguments or None).fetchone()
    assert row is not None
    return row[0]


def main() -> None:
    """Measure every shape in turn and print a row for each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--asked", type=int, default=10_000)
    told = parser.parse_args()
    print(f"{told.rows} facts, load {os.getloadavg()[0]:.1f}, PostgreSQL without sync")
    with PostgreSQL(require_postgresql()) as server:
        for name in SHAPES:
            url = without_driver(server.url)
            shape = measure(url, name, told.rows, told.asked)
            told_of = {
                part: round(getattr(shape, part), 1) if part != "name" else shape.name
                for part in Shape.__dataclass_fields__
            }
            print(json.dumps(told_of), flush=True)


if __name__ == "__main__":
    main()
