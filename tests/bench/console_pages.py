"""Time whole pages of the console over an invented group's year.

By hand, never part of the tests::

    nice python -m tests.bench.console_pages --keep /big/folder --sites 1000
    python -m tests.bench.console_pages --sqlite /big/folder --sites 100

The first fills a private PostgreSQL in that folder, which stays: the same command again measures
without filling. About 50 million facts are 1,000 hospitals of a year: 34 for a study, 4 studies a
day; they want some 30 GB of disk.

Each page is asked over HTTP from the running console, signed in, template and audit included: what
is timed is the answer as its browser gets it, on loopback. Beside it stand the time that this takes
of a processor (which a busy machine stretches less) and the same over an empty store. Statements
that walk a table are named; ``--plans`` shows how the database answers each.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from http import HTTPStatus
from pathlib import Path
from statistics import median
from typing import Any

import httpx
from sqlalchemy import Connection, event, make_url, text

from services.console.access import RULES
from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.bench.console_addresses import pages
from tests.bench.console_copies import copy_sites
from tests.bench.console_group import (
    FACTS_PER_STUDY,
    Size,
    fill_seeds,
    group_of,
    rows_in,
    site_name,
)
from tests.bench.kept_postgresql import KeptPostgreSQL
from tests.console_support import RunningConsole, running_console

TARGET_MS = 200.0
ROUNDS = 7
PLANNED = 3
_NO = ["-", "-"]
_NOTED = "filled.json"
_LONG_TABLE = 1000


@dataclass(frozen=True, slots=True)
class Timed:
    """``cpu_ms``: of this process, the console and its client; ``base_ms``: of the database, as
    it tells by EXPLAIN ANALYZE, the quickest of three (SQLite works in our process)."""

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


@dataclass(frozen=True, slots=True)
class Stores:
    """The filled store and an empty one of the same kind."""

    filled: str
    empty: str
    size: Size
    rows: Mapping[str, int]


def main() -> None:
    asked = _arguments()
    with tempfile.TemporaryDirectory() as folder, _stores(asked) as stores:
        filled, empty = Store(stores.filled), Store(stores.empty)
        for name, rows in stores.rows.items():
            print(f"  {name}: {rows:,} rows")
        size = stores.size
        facts = size.sites * size.days * size.a_day * FACTS_PER_STUDY
        print(f"  {size.sites} sites, about {facts / 1e6:.1f} million facts")
        over_filled, plans = _times(filled, Path(folder) / "filled", size)
        over_empty, _ = _times(empty, Path(folder) / "empty", size)
        filled.close()
        empty.close()
        _print(over_filled, over_empty)
        _print_plans(plans, whole=asked.plans)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--keep", type=Path, help="a private PostgreSQL in this folder, kept")
    where.add_argument("--sqlite", type=Path, help="a folder for two SQLite files, kept")
    parser.add_argument("--sites", type=int, default=100)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--a-day", type=int, default=4, help="studies of each site and day")
    parser.add_argument("--plans", action="store_true", help="print the plan of every statement")
    return parser.parse_args()


@contextmanager
def _stores(asked: argparse.Namespace) -> Iterator[Stores]:
    """Give the stores of the folder, filled if they are not yet."""
    if asked.sqlite is not None:
        place = asked.sqlite.resolve()
        place.mkdir(parents=True, exist_ok=True)
        urls = [f"sqlite:///{place}/{name}.sqlite" for name in ("filled", "empty")]
        if not (place / _NOTED).exists():
            _fill_all(asked, urls, place)
        yield _noted(place, urls)
        return
    server = KeptPostgreSQL(asked.keep)
    server.start()
    try:
        if not (server.folder / _NOTED).exists():
            made = [server.create_database(), server.create_database()]
            _fill_all(asked, made, server.folder)
        told = json.loads((server.folder / _NOTED).read_text())
        yield _noted(server.folder, [server.url_of(name) for name in told["databases"]])
    finally:
        server.close()


def _noted(place: Path, urls: list[str]) -> Stores:
    told = json.loads((place / _NOTED).read_text())
    last = date.fromisoformat(told["last"])
    size = Size(told["sites"], told["days"], told["a_day"], last)
    return Stores(urls[0], urls[1], size, told["rows"])


def _fill_all(asked: argparse.Namespace, urls: list[str], place: Path) -> None:
    """Fill the first store, make the other ready, and note down what was filled."""
    size = Size(asked.sites, asked.days, asked.a_day, datetime.now(UTC).date())
    began = time.monotonic()
    filled, empty = (Store(url) for url in urls)
    for store in (filled, empty):
        migrate(store)
    copy_sites(filled, size, fill_seeds(filled, size))
    for store in (filled, empty):
        if not store.is_sqlite:
            engine = store.engine.execution_options(isolation_level="AUTOCOMMIT")
            with engine.connect() as connection:
                connection.execute(text("VACUUM ANALYZE"))
    with filled.read() as connection:
        rows = dict(rows_in(connection))
    for store in (filled, empty):
        store.close()
    told: dict[str, Any] = {"sites": size.sites, "days": size.days, "a_day": size.a_day}
    told |= {"last": size.last.isoformat(), "rows": rows}
    told |= {"databases": [make_url(url).database for url in urls]}
    (place / _NOTED).write_text(json.dumps(told))
    print(f"filled after {time.monotonic() - began:.0f} s", flush=True)


def _times(
    store: Store, folder: Path, size: Size
) -> tuple[dict[str, Timed], dict[str, list[tuple[str, str]]]]:
    """Run a console over a store and time each page that it has; give the plans too."""
    url = store.engine.url.render_as_string(hide_password=False)
    times: dict[str, Timed] = {}
    plans: dict[str, list[tuple[str, str]]] = {}
    running = running_console(folder, url, group_of(size.sites), taps_per_minute=10_000)
    with running as console, console.browser(site_name(0), "all-1") as client:
        for page in pages(size):
            if ("GET", page.route) in RULES:
                times[page.words] = _timed(client, page.address)
                with _listening(console) as sent:
                    client.get(page.address)
                plans[page.words] = [_quickest_plan(store, *one) for one in sent]
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


def _quickest_plan(store: Store, statement: str, parameters: Any) -> tuple[str, str]:
    """Give the plan of the quickest of three goes: the others waited for a processor longer."""
    plans = [_plan(store, statement, parameters) for _ in range(PLANNED)]
    return min(plans, key=lambda plan: _told_ms(plan[1]))


def _plan(store: Store, statement: str, parameters: Any) -> tuple[str, str]:
    word = "EXPLAIN QUERY PLAN" if store.is_sqlite else "EXPLAIN (ANALYZE, BUFFERS)"
    with store.read() as connection:
        rows = connection.exec_driver_sql(f"{word} {statement}", parameters).all()
    return statement, "\n".join(str(row[3] if store.is_sqlite else row[0]) for row in rows)


def _told_ms(plan: str) -> float:
    return sum(float(ms) for ms in re.findall(r"(?:Planning|Execution) Time: ([0-9.]+)", plan))


def _print(filled: dict[str, Timed], empty: dict[str, Timed]) -> None:
    print(f"load {', '.join(f'{load:.0f}' for load in os.getloadavg())}")
    head = ("first", "median", "worst", "cpu", "base", "work", "cpu empty", "x empty")
    print(f"{'page, ms':34}" + "".join(f"{name:>10}" for name in head))
    for words, one in filled.items():
        if one.status != HTTPStatus.OK:
            print(f"{words:34} answered {one.status}")
            continue
        none = empty[words]
        same = none.status == HTTPStatus.OK
        clock, work = (
            f"{ms:.0f}{' !' if ms > TARGET_MS else ''}" for ms in (one.median_ms, one.work_ms)
        )
        cells = [f"{one.first_ms:.0f}", clock, f"{one.worst_ms:.0f}"]
        cells += [f"{one.cpu_ms:.0f}", f"{one.base_ms:.0f}", work]
        cells += [f"{none.cpu_ms:.0f}", f"{one.work_ms / none.work_ms:.1f}"] if same else _NO
        print(f"{words:34}" + "".join(f"{cell:>10}" for cell in cells))


def _print_plans(plans: dict[str, list[tuple[str, str]]], *, whole: bool) -> None:
    for words, found in plans.items():
        walks = [line.strip() for _, plan in found for line in plan.splitlines() if _is_walk(line)]
        print(f"{words}: {len(found)} statements" + "".join(f"\n  walks: {one}" for one in walks))
        if whole:
            for statement, plan in found:
                print(f"\n{statement}\n{plan}\n")


def _is_walk(line: str) -> bool:
    """Tell whether a table is read from end to end; on PostgreSQL only if it is a long one."""
    read = re.search(r"Seq Scan on console_.* rows=(\d+) loops", line)
    if read is not None:
        return int(read[1]) >= _LONG_TABLE
    return "SCAN console_" in line


if __name__ == "__main__":
    main()
