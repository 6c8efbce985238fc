"""Fill the console's read model with a group's invented year, and time what its pages ask.

By hand, never part of the tests::

    python -m tests.bench.console_pages --sites 1000 --days 365 --a-day 4 --store sqlite:////big/x.sqlite

One study is about 34 facts: an order, a readiness check, 14 to 16 exposures and as many images. So
1,000 sites with 4 studies a day make about 50 million facts in a year. Snapshots are written for
the last ``--whole-days`` only, for the disk's sake: no list reads them, and a page reads one. With
``--ask-only`` the store is asked as it is.
"""

import argparse
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from statistics import median
from typing import Any

from sqlalchemy import Connection, insert, text

from schemas.conclusions import ExposureUse, ImageUse, StudyAssessed
from schemas.teeth import Species
from services.console import (
    bill_rows,
    note_rows,
    tables,
    views_chairside,
    views_charges,
    views_lead,
    views_notes,
    views_operations,
)
from services.console.figures import Figures, FigureSums, from_text
from services.console.study_rows import study_row
from services.console.views_lead import Asked, By
from services.runtime.migrate import migrate
from services.runtime.store import Store
from services.runtime.upsert import add_to_rows
from tests.assessed import exposure, image
from tests.console_told import charges, note
from tests.noted import full_mouth

FIRST = date(2025, 1, 1)
TEMPLATES = 60
ROUNDS = 7


@dataclass(frozen=True, slots=True)
class Template:
    """The rows of one invented study, to be written under many names and days."""

    study: dict[str, Any]
    figures: Figures
    note: dict[str, Any]
    bill: dict[str, Any]


def main() -> None:
    asked = _arguments()
    store = Store(asked.store)
    migrate(store)
    last = FIRST + timedelta(days=asked.days - 1)
    if not asked.ask_only:
        began = time.monotonic()
        _fill(store, asked)
        print(f"filled in {time.monotonic() - began:.0f} s")
    if not store.is_sqlite:
        with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("VACUUM ANALYZE"))
    with store.read() as connection:
        for name, seconds in _times(connection, last):
            print(f"{name:45} {median(seconds) * 1e3:8.1f} ms   worst {max(seconds) * 1e3:8.1f} ms")
    store.close()


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--store", required=True, help="SQLAlchemy URL of a store for it alone")
    parser.add_argument("--sites", type=int, default=100)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--a-day", type=int, default=4, help="studies of each site and day")
    parser.add_argument("--whole-days", type=int, default=2)
    parser.add_argument("--ask-only", action="store_true")
    return parser.parse_args()


def _fill(store: Store, asked: argparse.Namespace) -> None:
    rng = random.Random(7)
    templates = [_template(rng) for _ in range(TEMPLATES)]
    whole_from = FIRST + timedelta(days=asked.days - asked.whole_days)
    for number in range(asked.sites):
        site = _site(number)
        with store.begin() as connection:
            _fill_site(connection, site, templates, asked, whole_from, rng)
        if number % 20 == 0:
            print(f"{number} of {asked.sites} sites", flush=True)


def _fill_site(
    connection: Connection,
    site: str,
    templates: list[Template],
    asked: argparse.Namespace,
    whole_from: date,
    rng: random.Random,
) -> None:
    sums, bills = FigureSums(), bill_rows.BillSums()
    rows: dict[Any, list[dict[str, Any]]] = {tables.STUDY: [], tables.NOTE: [], tables.BILL: []}
    for day_number in range(asked.days):
        day = FIRST + timedelta(days=day_number)
        for number in range(asked.a_day):
            one = rng.choice(templates)
            own = {"site": site, "study_instance_uid": f"{_root(site)}.{day_number}.{number}"}
            slim = {} if day >= whole_from else {"snapshot": "{}"}
            at = datetime(day.year, day.month, day.day, 9 + number, tzinfo=UTC)
            when = {"day": day, "changed_at": at, "last_at": at}
            rows[tables.STUDY].append(one.study | own | when | slim)
            # All but the last week's notes are signed, and few postings are ever refused.
            open_ = day_number >= asked.days - 7 and rng.random() < 0.3
            waits = {"since": at, "open_since": at if open_ else None}
            signed = {} if open_ else {"waits_for": None, "asks": None, "signer": "vet-1"}
            rows[tables.NOTE].append(one.note | own | waits | signed | slim)
            refused = int(rng.random() < 0.002)
            exceptional = {"refused": refused, "exceptions": refused}
            found = one.bill | own | {"day": day, "exception_day": day if refused else None}
            rows[tables.BILL].append(found | exceptional | slim)
            bills.exchange(None, rows[tables.BILL][-1])
            moved = {of._replace(day=day): told for of, told in one.figures.counts.items()}
            reasons = {
                (of._replace(day=day), why): n for (of, why), n in one.figures.reasons.items()
            }
            sums.exchange(site, Figures(), Figures(moved, reasons))
    for table, given in rows.items():
        connection.execute(insert(table), given)
    add_to_rows(connection, tables.BILL_DAY, bills.day_rows())
    add_to_rows(connection, tables.BILL_MONTH, bills.month_rows())
    add_to_rows(connection, tables.FIGURES_DAY, sums.day_rows())
    add_to_rows(connection, tables.FIGURES_MONTH, sums.month_rows())
    add_to_rows(connection, tables.REJECTS_DAY, sums.reject_rows())


def _template(rng: random.Random) -> Template:
    """Make an invented study of a whole mouth: every share in it is invented."""
    species = Species.DOG if rng.random() < 0.7 else Species.CAT
    study = full_mouth(f"{species.value}-full-mouth", species)
    operator, device = f"tech-{rng.randint(1, 4)}", f"sensor-{rng.randint(1, 2)}"
    images, exposures = [], []
    for number, seen in enumerate(study.images):
        key = f"exposure:INVENTED-0001:{number}"
        rejected = rng.random() < 0.06
        words = {"use": ImageUse.REJECTED, "words": "rejected: reason 111209"} if rejected else {}
        images.append(seen.model_copy(update={"exposure_key": key, "sensor": device, **words}))
        kerma = rng.lognormvariate(0.3, 0.5)
        uid = seen.sop_instance_uid
        exposures.append(
            exposure(
                number,
                sop_instance_uid=uid,
                operator=operator,
                kerma_mgy=kerma,
                kap_mgycm2=28 * kerma,
            )
        )
    if rng.random() < 0.3:
        early = exposure(90, ExposureUse.ENDED_EARLY, operator=operator, generator="generator-1")
        exposures.append(early)
    whole: StudyAssessed = study.model_copy(
        update={"images": (*images, image(91)), "exposures": tuple(exposures), "closed": True}
    )
    row = study_row("north", whole, datetime(2025, 1, 1, tzinfo=UTC))
    noted = note_rows.with_note(note_rows.empty_note("north", "2.25.1"), note(1))
    billed = bill_rows.settled(bill_rows.empty_bill("north", "2.25.1"), charges(10), FIRST)
    billed |= {"waiting": 0, "waiting_cents": 0, "posted_cents": billed["total_cents"]}
    return Template(row, from_text(row["figures"]), note_rows.settled(noted, row), billed)


def _times(connection: Connection, last: date) -> Iterator[tuple[str, list[float]]]:
    """Time each page's questions, each a few times."""
    first_of_month = last.replace(day=1)
    end_of_month = (first_of_month + timedelta(days=32)).replace(day=1) - timedelta(days=1)
    year_end = date(FIRST.year, 12, 31)
    group, one = Asked(FIRST, year_end), Asked(FIRST, year_end, (_site(0),))
    days = Asked(FIRST, last - timedelta(days=1), (_site(0),))
    twenty = Asked(last - timedelta(days=29), last, tuple(_site(n) for n in range(20)))
    site, study = _site(0), f"{_root(_site(0))}.{(last - FIRST).days}.0"
    room = "dental-1"
    asks: list[tuple[str, Callable[[], Any]]] = [
        ("room board", lambda: views_chairside.room_board(connection, site, room, last)),
        ("study board", lambda: views_chairside.study_board(connection, site, study)),
        ("notes that wait, group", lambda: views_notes.waiting_notes(connection, None)),
        ("notes that wait, site", lambda: views_notes.waiting_notes(connection, [site])),
        ("all notes of a site", lambda: views_notes.all_notes(connection, site)),
        ("one note", lambda: views_notes.one_note(connection, site, study)),
        ("charges, month of the group", lambda: views_charges.month(connection, None, last)),
        ("charges, month of a site", lambda: views_charges.month(connection, [site], last)),
        ("charges, exceptions of the group", lambda: views_charges.exceptions(connection, None)),
        ("charges, one bill", lambda: views_charges.one_bill(connection, site, study)),
        ("open questions", lambda: views_operations.open_questions(connection, None)),
        ("devices", lambda: views_operations.devices(connection, site)),
    ]
    for by in By:
        if by not in {By.OPERATOR, By.DEVICE}:
            asks.append((f"lead, year of the group by {by}", _lead(connection, group, by)))
        asks.append((f"lead, year of a site by {by}", _lead(connection, one, by)))
        asks.append((f"lead, days of a site by {by}", _lead(connection, days, by)))
    asks.append(("lead, 30 days of 20 sites by view", _lead(connection, twenty, By.VIEW)))
    asks.append(
        ("lead, reasons of the group", lambda: views_lead.reject_reasons(connection, group))
    )
    asks.append(
        (
            "storage, month of the group",
            lambda: views_operations.storage_by_day(connection, first_of_month, end_of_month),
        )
    )
    for name, ask in asks:
        seconds = []
        for _ in range(ROUNDS):
            began = time.perf_counter()
            ask()
            seconds.append(time.perf_counter() - began)
        yield name, seconds


def _lead(connection: Connection, asked: Asked, by: By) -> Callable[[], Any]:
    return lambda: views_lead.figures_by(connection, asked, by)


def _site(number: int) -> str:
    return f"site-{number:04d}"


def _root(site: str) -> str:
    return f"2.25.{int(site.rpartition('-')[2]) + 1}"


if __name__ == "__main__":
    main()
