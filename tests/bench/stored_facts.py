"""What one more fact costs by how many are stored, and what a million of them take of the disk."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import text

from tests.bench.chain import LARGE_BATCH, Chain
from tests.bench.figures import BenchError, Figure, Options
from tests.bench.invented_rooms import EXPOSURES_A_ROOM, make_rooms, write_group
from tests.bench.stored_days import Filled, fill, filled
from tests.bench.workplace import Workplace, discard, without_driver
from tests.servers.postgresql import PostgreSQL

ROOMS = 8
"""With 70 exposures, as many images, five orders and two clock readings each: 1,176 facts a day."""
QUICK_DAYS = 30
MILLION = 1_000_000
MIB, GIB = 2**20, 2**30
LARGEST_TABLES = 6
TARGET = 1.2


@dataclass(frozen=True, slots=True)
class _FilledStore:
    url: str
    held: Filled

    @property
    def name(self) -> str:
        return f"{self.held.facts:,} facts stored"


def measure(options: Options, place: Workplace) -> Figure:
    """Tell a new day to stores of several sizes, one after the other in each round."""
    figure = Figure("stored-facts", "what one more fact costs, by facts stored", rates=False)
    rooms = options.choose(ROOMS, 2)
    database = place.database()
    if not isinstance(database, PostgreSQL):
        raise BenchError("stored-facts: expected a private PostgreSQL")
    folder = place.subfolder("stored-facts")
    group_dir = write_group(folder, rooms)
    stores = _fill_stores(database, group_dir, rooms, options)
    for store in stores:
        per_million = store.held.bytes / store.held.facts * MILLION / GIB
        figure.note(store.name, "disk", "GiB per million facts", per_million, ours=True)
        largest = sorted(store.held.bytes_by_table.items(), key=lambda one: -one[1])
        for table, size in largest[:LARGEST_TABLES]:
            share = size / store.held.facts * MILLION / MIB
            figure.note(store.name, table, "MiB per million facts", share, ours=True)
    for number in range(options.rounds):
        first: dict[str, float] = {}
        for store in stores:
            costs = _one_more_day(database, group_dir, store.url, rooms, number + 1)
            for part, cost in costs.items():
                unit = "blocks/fact" if part == "database's blocks" else "ms CPU/fact"
                figure.note(store.name, part, unit, cost, ours=True)
            for part in ("all", "database's blocks"):
                ratio = costs[part] / first.setdefault(part, costs[part])
                figure.note(store.name, part, "times the smallest store's", ratio, ours=True)
    discard(folder)
    figure.remarks = [
        f"target: at most {TARGET} times",
        f"{rooms} rooms have a new day: orders, images, then about {EXPOSURES_A_ROOM} exposures "
        f"each; what follows the exposures, in batches of {LARGE_BATCH}, by 'chain': every "
        "service's real worker in one process, begun anew for each store",
        "the workers kept one day themselves; the database copied it to earlier days: same sites "
        "and rooms, with keys, studies and patients of their own, bodies as they were; the inbox "
        "holds 30 days",
        "'blocks' are those that the database looked at, in its memory or not: unlike times, they "
        "do not change with the machine's load",
        "studies are not closed, so no charge is posted and the record's tables are empty",
    ]
    return figure


def _fill_stores(
    database: PostgreSQL, group_dir: Path, rooms: int, options: Options
) -> list[_FilledStore]:
    """Let the workers keep one day, and copy it to as many earlier days as asked for."""
    seed = database.create_database()
    seeded = make_rooms(rooms * EXPOSURES_A_ROOM)
    chain = Chain(seed, group_dir)
    chain.prepare(seeded)
    chain.tell(seeded, LARGE_BATCH, database)
    chain.close()
    stores = []
    for days in options.earlier_days:
        url = database.create_database(like=seed)
        fill(without_driver(url), options.choose(days, min(days, QUICK_DAYS)))
        stores.append(_FilledStore(url, filled(without_driver(url))))
    return stores


def _one_more_day(
    database: PostgreSQL, group_dir: Path, url: str, rooms: int, day: int
) -> dict[str, float]:
    """Tell a new day; give ms of processor time for each exposure by part, and blocks."""
    told = make_rooms(rooms * EXPOSURES_A_ROOM, day)
    chain = Chain(url, group_dir)
    chain.prepare(told)
    before = _blocks(chain)
    chain.tell(told, LARGE_BATCH, database)
    blocks = _blocks(chain) - before
    chain.close()
    count = sum(len(room.exposures) for room in told)
    costs = {part: 1000 * seconds / count for part, seconds in chain.seconds.items()}
    return costs | {"all": sum(costs.values()), "database's blocks": blocks / count}


def _blocks(chain: Chain) -> int:
    """Count the blocks that the database has looked at so far for the workers."""
    with chain.store.begin() as connection:  # one after the other, they share one session
        connection.execute(text("SELECT pg_stat_force_next_flush()"))
    counted = text(
        "SELECT blks_hit + blks_read FROM pg_stat_database WHERE datname = current_database()"
    )
    with chain.store.begin() as connection:
        return int(connection.scalar(counted) or 0)
