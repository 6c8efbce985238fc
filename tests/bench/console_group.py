"""An invented group of many hospitals, and its year in the console's read model.

A few hospitals are made study by study; the others are copies of them under other names, written
by the database itself (``console_copies``). Every share in it is invented.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select

from services.console import bill_rows, tables
from services.console.charges.tables import CHARGE_DAY, CHARGE_EXCEPTION, CHARGE_MONTH
from services.console.figures import Figures, FigureSums
from services.console.lead.tables import FIGURES_SITE, FIGURES_SITE_DAY
from services.console.storage import StorageSums
from services.runtime.store import Store
from services.runtime.upsert import add_to_rows
from tests.bench.console_days import charge_rows, room_day_rows
from tests.bench.console_studies import Template, invented_template, study_uid
from tests.console_support import invented_group

TEMPLATES = 60
SEEDS = 3
FACTS_PER_STUDY = 34
"""An order, a readiness check, 14 to 16 exposures and as many images."""
WHOLE_DAYS = 2
"""For so many of the last days snapshots are written whole, for the disk's sake: no list reads
them, and a page reads one."""
ARRIVAL_DAYS = 35
REVISION_DAYS = 90
"""As the console's upkeep keeps them."""

Rows = dict[Table, list[dict[str, Any]]]


@dataclass(frozen=True, slots=True)
class Size:
    sites: int
    days: int
    a_day: int
    last: date

    @property
    def first(self) -> date:
        return self.last - timedelta(days=self.days - 1)


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


def fill_seeds(store: Store, size: Size) -> int:
    """Make the first few hospitals of the group; gives how many."""
    rng = random.Random(7)
    templates = [invented_template(rng) for _ in range(TEMPLATES)]
    seeds = min(SEEDS, size.sites)
    for number in range(seeds):
        with store.begin() as connection:
            _fill_site(connection, site_name(number), templates, size, rng)
    return seeds


def _fill_site(
    connection: Connection, site: str, templates: list[Template], size: Size, rng: random.Random
) -> None:
    figures, bills, storage = FigureSums(), bill_rows.BillSums(), StorageSums()
    rows: Rows = {}
    for number in range(size.days):
        day, left = size.first + timedelta(days=number), size.days - number
        for _ in range(15 * size.a_day):
            storage.add(site, day, 10**7)
        for place in range(size.a_day):
            one = rng.choice(templates)
            made = _study_rows(one, site, day, (number, place), left, rng)
            for table, some in made.items():
                rows.setdefault(table, []).extend(some)
            bills.exchange(None, made[tables.BILL][0])
            figures.exchange(site, Figures(), one.figures_of_day(day))
    for table, some in (
        (tables.ROOM_DAY, room_day_rows(site, size.first, size.days)),
        *charge_rows(site, size.first, size.days).items(),
        (tables.DEVICE, _device_rows(site, size.last)),
    ):
        rows[table] = some
    for table, some in rows.items():
        if some:
            connection.execute(insert(table), some)
    for table, sums in (
        (tables.BILL_DAY, bills.day_rows()),
        (tables.BILL_MONTH, bills.month_rows()),
        (tables.FIGURES_DAY, figures.day_rows()),
        (tables.FIGURES_MONTH, figures.month_rows()),
        (FIGURES_SITE, figures.site_rows()),
        (FIGURES_SITE_DAY, figures.site_day_rows()),
        (tables.REJECTS_DAY, figures.reject_rows()),
        (tables.STORAGE_DAY, storage.rows()),
    ):
        add_to_rows(connection, table, sums)


def _study_rows(
    one: Template, site: str, day: date, numbered: tuple[int, int], left: int, rng: random.Random
) -> Rows:
    """Write one study under its name and day. All but the last week's notes are signed, few
    postings are ever refused, and one in fifty waits for a code."""
    number, place = numbered
    uid = study_uid(site, number, place)
    at = datetime(day.year, day.month, day.day, 6 + place, tzinfo=UTC)
    own = {"site": site, "study_instance_uid": uid}
    whole = left <= WHOLE_DAYS
    slim = {} if whole else {"snapshot": "{}"}
    open_, refused = left <= 7 and rng.random() < 0.3, int(rng.random() < 0.002)
    when = {"day": day, "changed_at": at, "last_at": at}
    signed = {} if open_ else {"waits_for": None, "asks": None, "signer": "tech-1"}
    told = {"refused": refused, "exceptions": refused, "exception_day": day if refused else None}
    rows: Rows = {
        tables.STUDY: [one.study | own | when | slim],
        tables.NOTE: [
            one.note | own | {"since": at, "open_since": at if open_ else None} | signed | slim
        ],
        tables.BILL: [one.bill | own | {"day": day} | told | slim],
    }
    if left <= ARRIVAL_DAYS:
        arrivals = one.arrivals(own, numbered, day, at, whole=whole)
        rows[tables.ARRIVAL] = arrivals
        # The last two are not in the assessment yet.
        keys = [row["natural_key"] for row in arrivals[:-2]]
        rows[tables.STUDY][0]["held"] = "\n".join(sorted(keys))
    if left <= REVISION_DAYS:
        rows[tables.NOTE_REVISION] = one.revisions(own, at, whole=whole)
    if left <= 30 and rng.random() < 0.2:
        asked = {"position": 0, "day": day, "room": "dental-1", "code": "invented"}
        rows[tables.QUESTION] = [own | asked | {"words": "Invented question?"}]
    if rng.random() < 0.02:
        key = f"charge:{number}.{place}:1"
        rows[tables.UNMAPPED] = [one.unmapped(own, key, at, open_=left <= 60)]
    return rows


def _device_rows(site: str, last: date) -> list[dict[str, Any]]:
    heard = datetime(last.year, last.month, last.day, tzinfo=UTC)
    read = {"last_contact_at": heard, "clock_read_at": heard, "clock_ahead_s": 1.5}
    names = ("generator-1", "station-1", "sensor-1", "sensor-2", "tablet-1")
    return [{"site": site, "device": name} | read for name in names]


def rows_in(connection: Connection) -> Iterator[tuple[str, int]]:
    """Count the rows of the large tables."""
    for table in (
        tables.STUDY,
        tables.NOTE_REVISION,
        tables.ARRIVAL,
        tables.FIGURES_DAY,
        tables.FIGURES_MONTH,
        FIGURES_SITE,
        FIGURES_SITE_DAY,
        tables.BILL_DAY,
        tables.ROOM_DAY,
        tables.UNMAPPED,
        tables.STORAGE_DAY,
        CHARGE_DAY,
        CHARGE_MONTH,
        CHARGE_EXCEPTION,
    ):
        rows = connection.execute(select(func.count()).select_from(table)).scalar_one()
        yield table.name, int(rows)
