"""An invented group of many hospitals, and its year in the console's read model.

A few hospitals are made study by study; the others are copies of them under other names, written
by the database itself. Every share in it is invented.
"""

from __future__ import annotations

import json
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Table, delete, func, insert, literal, select

from schemas.conclusions import ExposureUse, ImageUse, StudyAssessed
from schemas.conclusions.reconciled import BooksReconciled
from schemas.teeth import Species
from services.console import bill_rows, note_rows, tables
from services.console.charges.tables import CHARGE_DAY, CHARGE_EXCEPTION, CHARGE_MONTH, SUMS
from services.console.figures import Figures, FigureSums, from_text
from services.console.study_rows import study_row
from services.runtime.store import Store
from services.runtime.upsert import add_to_rows
from tests.assessed import exposure, image
from tests.console_support import invented_group
from tests.console_told import charges, note
from tests.noted import full_mouth

TEMPLATES = 60
SEEDS = 3
FACTS_PER_STUDY = 34
"""An order, a readiness check, 14 to 16 exposures and as many images."""

_COPIED = (
    tables.STUDY,
    tables.NOTE,
    tables.BILL,
    tables.BILL_DAY,
    tables.BILL_MONTH,
    tables.FIGURES_DAY,
    tables.FIGURES_MONTH,
    tables.REJECTS_DAY,
    tables.QUESTION,
    tables.STORAGE_DAY,
    tables.DEVICE,
    CHARGE_DAY,
    CHARGE_MONTH,
    CHARGE_EXCEPTION,
)
_OF_THE_GROUP = {"all", "view", "species", "reason"}


@dataclass(frozen=True, slots=True)
class Size:
    """``whole_days``: for how many of the last days snapshots are written."""

    sites: int
    days: int
    a_day: int
    whole_days: int
    last: date

    @property
    def first(self) -> date:
        return self.last - timedelta(days=self.days - 1)


@dataclass(frozen=True, slots=True)
class _Template:
    """The rows of one invented study, to be written under many names and days."""

    study: dict[str, Any]
    figures: Figures
    note: dict[str, Any]
    bill: dict[str, Any]


def group_of(sites: int) -> dict[str, Any]:
    """Make a group of so many hospitals, with one person who has every role and sees them all."""
    base = invented_group()
    north = base["sites"][0]
    whole = next(one for one in north["people"] if one["name"] == "lead-all")
    roles = ["technician", "vet", "billing", "admin", "lead"]
    people = [
        {"name": f"tech-{n}", "title": f"Invented Technician {n}", "roles": ["technician"]}
        for n in range(1, 5)
    ]
    made = []
    for number in range(sites):
        site = north | {
            "name": site_name(number),
            "title": f"Invented Hospital {number}",
            "called_ae_title": f"INV{number:04d}",
            "people": people,
            "devices": [],
        }
        made.append(site)
    made[0] |= {
        "people": [*people, whole | {"name": "all-1", "roles": roles}],
        "devices": north["devices"],
    }
    return base | {"sites": made}


def site_name(number: int) -> str:
    return f"site-{number:04d}"


def study_uid(site: str, day: int, number: int) -> str:
    return f"{_root(site)}.{day}.{number}"


def fill(store: Store, size: Size, until: float, done: int = 0) -> int:
    """Fill a read model that holds ``done`` sites, no longer than ``until`` (monotonic seconds).

    Gives how many sites it then holds.
    """
    if done == 0:
        rng = random.Random(7)
        templates = [_template(rng) for _ in range(TEMPLATES)]
        while done < min(SEEDS, size.sites):
            with store.begin() as connection:
                _fill_site(connection, site_name(done), templates, size, rng)
            done += 1
    while done < size.sites and time.monotonic() < until:
        with store.begin() as connection:
            _copy_site(connection, site_name(done % SEEDS), site_name(done))
        done += 1
        if done % 50 == 0:
            print(f"{done} sites", flush=True)
    with store.begin() as connection:
        _sum_the_group(connection)
    return done


def _fill_site(
    connection: Connection, site: str, templates: list[_Template], size: Size, rng: random.Random
) -> None:
    sums, bills = FigureSums(), bill_rows.BillSums()
    rows: dict[Table, list[dict[str, Any]]] = {table: [] for table in _COPIED}
    for day_number in range(size.days):
        day = size.first + timedelta(days=day_number)
        left = size.days - day_number
        rows[tables.STORAGE_DAY].append(
            {"day": day, "site": site, "images": 60, "bytes": 6 * 10**8}
        )
        for number in range(size.a_day):
            one = rng.choice(templates)
            own = {"site": site, "study_instance_uid": study_uid(site, day_number, number)}
            slim = {"snapshot": "{}"} if left > size.whole_days else {}
            at = datetime(day.year, day.month, day.day, 6 + number, tzinfo=UTC)
            when = {"day": day, "changed_at": at, "last_at": at}
            rows[tables.STUDY].append(one.study | own | when | slim)
            # All but the last week's notes are signed, and few postings are ever refused.
            open_ = left <= 7 and rng.random() < 0.3
            waits = {"since": at, "open_since": at if open_ else None}
            signed = {} if open_ else {"waits_for": None, "asks": None, "signer": "tech-1"}
            rows[tables.NOTE].append(one.note | own | waits | signed | slim)
            refused = int(rng.random() < 0.002)
            found = one.bill | own | {"day": day, "exception_day": day if refused else None}
            found |= {"refused": refused, "exceptions": refused}
            rows[tables.BILL].append(found | slim)
            bills.exchange(None, rows[tables.BILL][-1])
            if left <= 30 and rng.random() < 0.2:
                asked = {"position": 0, "day": day, "room": "dental-1", "code": "invented"}
                rows[tables.QUESTION].append(own | asked | {"words": "Invented question?"})
            moved = {of._replace(day=day): told for of, told in one.figures.counts.items()}
            reasons = {
                (of._replace(day=day), why): n for (of, why), n in one.figures.reasons.items()
            }
            sums.exchange(site, Figures(), Figures(moved, reasons))
    _reconcile(rows, site, size)
    for name in ("generator-1", "station-1", "sensor-1", "sensor-2", "tablet-1"):
        heard = datetime(size.last.year, size.last.month, size.last.day, tzinfo=UTC)
        read = {"clock_read_at": heard, "clock_ahead_s": 1.5}
        rows[tables.DEVICE].append({"site": site, "device": name, "last_contact_at": heard} | read)
    for table, given in rows.items():
        if given:
            connection.execute(insert(table), given)
    add_to_rows(connection, tables.BILL_DAY, bills.day_rows())
    add_to_rows(connection, tables.BILL_MONTH, bills.month_rows())
    add_to_rows(connection, tables.FIGURES_DAY, sums.day_rows())
    add_to_rows(connection, tables.FIGURES_MONTH, sums.month_rows())
    add_to_rows(connection, tables.REJECTS_DAY, sums.reject_rows())


def _reconcile(rows: dict[Table, list[dict[str, Any]]], site: str, size: Size) -> None:
    """Lay out the reconciled days of a site, with an exception every tenth day."""
    snapshot = json.dumps(BooksReconciled.EXAMPLES[0])
    sums = dict.fromkeys(SUMS, 4) | {"faults": 0}
    for number in range(size.days):
        day = size.first + timedelta(days=number)
        at = datetime(day.year, day.month, day.day, 20, tzinfo=UTC)
        own = {"site": site, "day": day, "currency": "EUR", "snapshot": snapshot, "told_at": at}
        rows[CHARGE_DAY].append(sums | own | {"revision": 1, "read_at": at})
        if number % 10 == 0:
            told = {"exception_id": f"{number:016x}", "kind": "missing", "status": "open"}
            open_ = {"open_day": day, "at_stake_cents": 3800}
            rows[CHARGE_EXCEPTION].append(own | told | open_)
    for month in sorted({tables.month_of(row["day"]) for row in rows[CHARGE_DAY]}):
        rows[CHARGE_MONTH].append(sums | {"site": site, "month": month, "currency": "EUR"})


def _copy_site(connection: Connection, source: str, name: str) -> None:
    for table in _COPIED:
        columns = [column.name for column in table.columns]
        values = [_copied(table, column, source, name) for column in columns]
        query = select(*values).where(table.c.site == source)
        connection.execute(insert(table).from_select(columns, query))


def _copied(table: Table, column: str, source: str, name: str) -> Any:
    if column == "site":
        return literal(name)
    if column == "study_instance_uid":
        rest = func.substr(table.c[column], len(_root(source)) + 1)
        return literal(_root(name)).concat(rest)
    return table.c[column]


def _sum_the_group(connection: Connection) -> None:
    """Make the whole group's sums anew from those of its sites."""
    for table, keys in (
        (tables.BILL_DAY, ("day", "currency")),
        (tables.FIGURES_MONTH, ("by", "month", "name")),
    ):
        whole = tables.WHOLE_GROUP
        connection.execute(delete(table).where(table.c.site == whole))
        counts = [c.name for c in table.columns if c.name not in {*keys, "site"}]
        own = table.c
        query = select(
            literal(whole), *(own[key] for key in keys), *(func.sum(own[name]) for name in counts)
        ).group_by(*(own[key] for key in keys))
        if table is tables.FIGURES_MONTH:
            query = query.where(own.by.in_(_OF_THE_GROUP))
        connection.execute(insert(table).from_select(["site", *keys, *counts], query))


def _template(rng: random.Random) -> _Template:
    """Make an invented study of a whole mouth."""
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
        shot = exposure(number, sop_instance_uid=uid, operator=operator, kerma_mgy=kerma)
        exposures.append(shot.model_copy(update={"kap_mgycm2": 28 * kerma}))
    if rng.random() < 0.3:
        early = exposure(90, ExposureUse.ENDED_EARLY, operator=operator, generator="generator-1")
        exposures.append(early)
    whole: StudyAssessed = study.model_copy(
        update={"images": (*images, image(91)), "exposures": tuple(exposures), "closed": True}
    )
    row = study_row("north", whole, datetime(2025, 1, 1, tzinfo=UTC))
    noted = note_rows.with_note(note_rows.empty_note("north", "2.25.1"), note(1))
    billed = bill_rows.settled(
        bill_rows.empty_bill("north", "2.25.1"), charges(10), date(2025, 1, 1)
    )
    billed |= {"waiting": 0, "waiting_cents": 0, "posted_cents": billed["total_cents"]}
    return _Template(row, from_text(row["figures"]), note_rows.settled(noted, row), billed)


def _root(site: str) -> str:
    return f"2.25.{int(site.rpartition('-')[2]) + 1}"


def rows_in(connection: Connection) -> Iterator[tuple[str, int]]:
    """Count the rows of the large tables."""
    for table in (tables.STUDY, tables.FIGURES_DAY, tables.FIGURES_MONTH, tables.BILL_MONTH):
        yield (
            table.name,
            int(connection.execute(select(func.count()).select_from(table)).scalar_one()),
        )
