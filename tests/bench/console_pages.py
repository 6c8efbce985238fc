"""Time whole pages of the console over an invented group's year, and say how they would grow.

By hand, never part of the tests::

    nice python -m tests.bench.console_pages --postgresql --sites 1000 --minutes 8
    python -m tests.bench.console_pages --sqlite /big/folder --sites 100

Each page is asked over HTTP from the running console, signed in, template and audit included: what
is timed is the answer as its browser gets it, on loopback. Beside it stand the time that this takes
of a processor (which a busy machine stretches less), the same over an empty store, and the
extrapolation of it to 1,000 sites (about 50 million facts: 34 for a study, 4 studies a day): what
is read by an index hardly grows, and what reads a row for each site grows in step, so the growth
from a tenth of the sites to all is carried on in a straight line. Statements that walk a table are
named; ``--plans`` shows how the database answers each. Snapshots are written for the last days
only, for the disk's sake: no list reads them, and a page reads one.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from http import HTTPStatus
from pathlib import Path
from statistics import median
from typing import Any

import httpx
from sqlalchemy import Connection, event, text

from services.console.access import RULES
from services.console.tables import end_of_month, month_of
from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.bench.console_group import (
    FACTS_PER_STUDY,
    SEEDS,
    Size,
    fill,
    group_of,
    rows_in,
    site_name,
    study_uid,
)
from tests.console_support import RunningConsole, running_console
from tests.servers.postgresql import open_database_server

TARGET_MS = 200.0
WHOLE_GROUP_SITES = 1000
ROUNDS = 7
_NO = ["-", "-"]


@dataclass(frozen=True, slots=True)
class Asked:
    """A page: its words, the route in the table of access, and the address."""

    words: str
    route: str
    address: str


@dataclass(frozen=True, slots=True)
class Timed:
    """``cpu_ms``: of this process, the console and its client; ``base_ms``: of the database, as
    it tells by EXPLAIN ANALYZE (SQLite works in our process)."""

    status: int
    first_ms: float
    median_ms: float
    worst_ms: float
    cpu_ms: float
    base_ms: float = 0.0

    @property
    def work_ms(self) -> float:
        """What it takes of a processor; on a busy machine the clock says more."""
        return self.cpu_ms + self.base_ms


def main() -> None:
    asked = _arguments()
    with tempfile.TemporaryDirectory() as folder, _two_stores(asked, Path(folder)) as urls:
        store = Store(urls[0])
        migrate(store)
        last = datetime.now(UTC).date()
        size = Size(asked.sites, asked.days, asked.a_day, 2, last)
        began = time.monotonic()
        until = began + 60 * asked.minutes
        sites = fill(store, replace(size, sites=max(SEEDS, size.sites // 10)), until)
        small_sites, small = sites, _times(store, Path(folder) / "small", sites, size)[0]
        sites = fill(store, size, until, sites)
        print(f"{sites} sites filled after {time.monotonic() - began:.0f} s")
        with store.read() as connection:
            for name, rows in rows_in(connection):
                print(f"  {name}: {rows:,} rows")
        print(f"  about {sites * size.days * size.a_day * FACTS_PER_STUDY / 1e6:.1f} million facts")
        large, plans = _times(store, Path(folder) / "large", sites, size)
        store.close()
        other = Store(urls[1])
        migrate(other)
        empty, _ = _times(other, Path(folder) / "empty", sites, size)
        other.close()
        _print(large, empty, small, sites - small_sites, sites)
        _print_plans(plans, whole=asked.plans)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--postgresql", action="store_true", help="a private PostgreSQL")
    where.add_argument("--sqlite", type=Path, help="an empty folder for the stores")
    parser.add_argument("--sites", type=int, default=100)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--a-day", type=int, default=4, help="studies of each site and day")
    parser.add_argument("--minutes", type=float, default=10.0, help="fill no longer than this")
    parser.add_argument("--plans", action="store_true", help="print the plan of every statement")
    return parser.parse_args()


@contextmanager
def _two_stores(asked: argparse.Namespace, folder: Path) -> Iterator[tuple[str, str]]:
    """Give the addresses of two empty stores of one kind."""
    if not asked.postgresql:
        place = asked.sqlite or folder
        place.mkdir(parents=True, exist_ok=True)
        yield f"sqlite:///{place}/filled.sqlite", f"sqlite:///{place}/empty.sqlite"
        return
    server = open_database_server()
    try:
        yield server.create_database(), server.create_database()
    finally:
        server.close()


def _pages(size: Size) -> list[Asked]:
    site, day = site_name(0), size.last
    at, study = f"/sites/{site}", study_uid(site, size.days - 1, 0)
    board, month = f"rooms/dental-1/studies/{study}", f"{day:%Y-%m}"
    year = f"first={month_of(size.first)}&last={end_of_month(day)}"
    days = f"first={size.first}&last={day}"
    own = "/sites/{site}"
    lead, group, bills = f"{at}/lead", "/lead", f"{at}/charges"
    people = f"{own}/lead/people"
    view_days = f"by=device&view=max-incisors&{days}"
    return [
        Asked("sites", "/", "/"),
        Asked("pages of a site", own, at),
        Asked("room today", f"{own}/rooms/{{room}}", f"{at}/rooms/dental-1?day={day}"),
        Asked("chairside board", f"{own}/rooms/{{room}}/studies/{{study}}", f"{at}/{board}"),
        Asked("notes that wait", f"{own}/notes", f"{at}/notes"),
        Asked("one note", f"{own}/notes/{{study}}", f"{at}/notes/{study}"),
        Asked("charges of a day", f"{own}/charges", f"{bills}?day={day}"),
        Asked("charges of a study", f"{own}/charges/studies/{{study}}", f"{bills}/studies/{study}"),
        Asked("charges of a month", f"{own}/charges/month", f"{bills}/month?month={month}"),
        Asked("charges, group", "/charges", f"/charges?month={month}"),
        Asked("operations", "/operations", "/operations"),
        Asked("lead: year of a site by view", f"{own}/lead", f"{lead}?by=view&{year}"),
        Asked("lead: the same by person", people, f"{lead}/people?by=operator&{year}"),
        Asked("lead: the same by month", f"{own}/lead", f"{lead}?by=time&{year}"),
        Asked("lead: one view, a year's days", f"{own}/lead", f"{lead}?{view_days}"),
        Asked("lead: a year's days by view", f"{own}/lead", f"{lead}?by=view&{days}"),
        Asked("lead: year of the group by view", group, f"{group}?by=view&{year}"),
        Asked("lead: year of the group by site", group, f"{group}?by=site&{year}"),
        Asked("lead: what to teach, site", f"{own}/lead/teach", f"{lead}/teach?{year}"),
        Asked("lead: what to teach, group", f"{group}/teach", f"{group}/teach?{year}"),
    ]


def _times(
    store: Store, folder: Path, sites: int, size: Size
) -> tuple[dict[str, Timed], dict[str, list[tuple[str, str]]]]:
    """Run a console over a store and time each page that it has; give the plans too."""
    if not store.is_sqlite:
        with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("VACUUM ANALYZE"))
    url = store.engine.url.render_as_string(hide_password=False)
    times: dict[str, Timed] = {}
    plans: dict[str, list[tuple[str, str]]] = {}
    running = running_console(folder, url, group_of(sites), taps_per_minute=10_000)
    with running as console, console.browser(site_name(0), "all-1") as client:
        for page in _pages(size):
            if ("GET", page.route) in RULES:
                with _listening(console) as sent:
                    times[page.words] = _timed(client, page.address)
                plans[page.words] = [_plan(store, *one) for one in dict(sent).items()]
                base = sum(_told_ms(plan) for _, plan in plans[page.words])
                times[page.words] = replace(times[page.words], base_ms=base)
    return times, plans


def _timed(client: httpx.Client, address: str) -> Timed:
    taken, worked, status = [], [], 0
    for _ in range(ROUNDS + 1):
        began, cpu = time.perf_counter(), time.process_time()
        answer = client.get(address)
        taken.append((time.perf_counter() - began) * 1e3)
        worked.append((time.process_time() - cpu) * 1e3)
        status = answer.status_code
    first, *others = taken
    return Timed(status, first, median(others), max(others), median(worked[1:]))


@contextmanager
def _listening(running: RunningConsole) -> Iterator[list[tuple[str, Any]]]:
    """Note down what a page asks of the read model."""
    sent: list[tuple[str, Any]] = []

    def note_down(
        _connection: Connection, _cursor: Any, statement: str, parameters: Any, *_rest: Any
    ) -> None:
        asks = statement.lstrip().startswith("SELECT") and "console_" in statement
        if asks and "console_session" not in statement:
            sent.append((statement, parameters))

    engine = running.runtime.store.engine
    event.listen(engine, "before_cursor_execute", note_down)
    try:
        yield sent
    finally:
        event.remove(engine, "before_cursor_execute", note_down)


def _plan(store: Store, statement: str, parameters: Any) -> tuple[str, str]:
    word = "EXPLAIN QUERY PLAN" if store.is_sqlite else "EXPLAIN (ANALYZE, BUFFERS)"
    with store.read() as connection:
        rows = connection.exec_driver_sql(f"{word} {statement}", parameters).all()
    return statement, "\n".join(str(row[3] if store.is_sqlite else row[0]) for row in rows)


def _told_ms(plan: str) -> float:
    return sum(float(ms) for ms in re.findall(r"(?:Planning|Execution) Time: ([0-9.]+)", plan))


def _print(
    large: dict[str, Timed],
    empty: dict[str, Timed],
    small: dict[str, Timed],
    more_sites: int,
    sites: int,
) -> None:
    grown_head = f"at {WHOLE_GROUP_SITES}"
    head = ("first", "median", "worst", "cpu", "base", "cpu empty", "x empty", grown_head)
    print(f"{'page, ms':34}" + "".join(f"{name:>10}" for name in head))
    for words, one in large.items():
        if one.status != HTTPStatus.OK:
            print(f"{words:34} answered {one.status}")
            continue
        none = empty[words]
        same = none.status == HTTPStatus.OK
        cells = [f"{one.first_ms:.0f}", f"{one.median_ms:.0f}", f"{one.worst_ms:.0f}"]
        cells += [f"{one.cpu_ms:.0f}", f"{one.base_ms:.0f}"]
        cells += [f"{none.cpu_ms:.0f}", f"{one.work_ms / none.work_ms:.1f}"] if same else _NO
        step = (one.work_ms - small[words].work_ms) / more_sites if more_sites else 0.0
        grown = one.work_ms + max(0.0, step) * max(0, WHOLE_GROUP_SITES - sites)
        # From a small step nothing but noise would be carried on.
        known = 2 * more_sites >= sites
        cells.append(f"{grown:.0f}{' !' if grown > TARGET_MS else ''}" if known else "-")
        print(f"{words:34}" + "".join(f"{cell:>10}" for cell in cells))


def _print_plans(plans: dict[str, list[tuple[str, str]]], *, whole: bool) -> None:
    walked = "Seq Scan on console_", "SCAN console_"
    for words, found in plans.items():
        walks = [
            line.strip()
            for _, plan in found
            for line in plan.splitlines()
            if any(word in line for word in walked)
        ]
        print(f"{words}: {len(found)} statements" + "".join(f"\n  walks: {one}" for one in walks))
        if whole:
            for statement, plan in found:
                print(f"\n{statement}\n{plan}\n")


if __name__ == "__main__":
    main()
