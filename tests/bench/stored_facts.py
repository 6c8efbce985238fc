"""What one more fact costs by how many are stored, and what a million of them take of the disk."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from tests.bench.bus_teller import BusTeller
from tests.bench.figures import Figure, Options
from tests.bench.invented_rooms import EXPOSURES_A_ROOM, in_turn, make_rooms, write_group
from tests.bench.memory import memory_mib
from tests.bench.processor import Processors, spent
from tests.bench.program import GROUP, close_backend, open_backend, running_program
from tests.bench.settling import Settling
from tests.bench.stored_days import Filled, fill, filled
from tests.bench.sustained import SETTLE_TIMEOUT_S, prepare
from tests.bench.workplace import Workplace, discard, without_driver

SEED_ROOMS = 68
"""With 70 exposures, as many images, five orders and two clock readings each: 10,000 facts."""
TOLD_ROOMS = 20
MILLION = 1_000_000
MIB, GIB = 2**20, 2**30
TARGET = 1.2


@dataclass(frozen=True, slots=True)
class _FilledStore:
    url: str
    held: Filled

    @property
    def name(self) -> str:
        return f"{self.held.facts:,} facts stored"


def measure(options: Options, place: Workplace) -> Figure:
    """Tell a new day to stores of three sizes, one after the other in each round."""
    figure = Figure("stored-facts", "what one more fact costs, by facts stored", rates=False)
    rooms, told_rooms = options.choose(SEED_ROOMS, 4), options.choose(TOLD_ROOMS, 2)
    folder = place.subfolder("stored-facts")
    group_dir = write_group(folder, rooms)
    stores = _fill_stores(place, folder, group_dir, rooms, options)
    for store in stores:
        per_million = store.held.bytes / store.held.facts * MILLION / GIB
        figure.note(store.name, "disk", "GiB per million facts", per_million, ours=True)
        for table, size in sorted(store.held.bytes_by_table.items(), key=lambda one: -one[1])[:6]:
            share = size / store.held.facts * MILLION / MIB
            figure.note(store.name, table, "MiB per million facts", share, ours=True)
    for number in range(options.rounds):
        costs: dict[str, float] = {}
        for store in stores:
            parts, pss_mib = _one_more_day(place, folder, group_dir, store, told_rooms, number + 1)
            costs[store.name] = sum(parts.values())
            figure.note(store.name, "services", "MiB PSS", pss_mib, ours=True)
            for part, cost_ms in (*sorted(parts.items()), ("all", costs[store.name])):
                figure.note(store.name, part, "ms CPU/fact", cost_ms, ours=True)
        for name, cost in costs.items():
            ratio = cost / costs[stores[0].name]
            figure.note(name, "all", "times the smallest store's", ratio, ours=True)
    discard(folder)
    figure.remarks = [
        f"target: at most {TARGET} times",
        f"{told_rooms} rooms of {rooms} have a new day: orders, images, then about "
        f"{EXPOSURES_A_ROOM} exposures each, offered at once; processor time, by part, of what "
        "follows the exposures; the services were started just before",
        "the services filled the smallest store themselves; the others are copies of its day to "
        "earlier days, by the database: same sites and rooms, with keys, studies and patients of "
        "their own, bodies as they were; the inbox holds 30 days",
        "studies are not closed, so no charge is posted and the record's tables are empty",
    ]
    return figure


def _fill_stores(
    place: Workplace, folder: Path, group_dir: Path, rooms: int, options: Options
) -> list[_FilledStore]:
    """Let the services keep one day, and copy it to as many earlier days as asked for."""
    seed = open_backend(place, GROUP, folder)
    data_dir = folder / "seed"
    data_dir.mkdir()
    seeded = make_rooms(rooms * EXPOSURES_A_ROOM)
    with (
        running_program(place, GROUP, data_dir, group_dir, backend=seed) as program,
        BusTeller(seed) as teller,
        Settling(program) as settling,
    ):
        prepare(teller, settling, seeded)
        teller.offer(list(in_turn(seeded)))
        settling.wait(SETTLE_TIMEOUT_S)
    close_backend(place, seed)
    stores = []
    for days in options.earlier_days:
        most = options.choose(days, min(days, 30))
        url = place.database().create_database(like=seed.store_url)
        fill(without_driver(url), most)
        stores.append(_FilledStore(url, filled(without_driver(url))))
    return stores


def _one_more_day(
    place: Workplace, folder: Path, group_dir: Path, store: _FilledStore, rooms: int, day: int
) -> tuple[dict[str, float], float]:
    """Tell a new day; give ms of processor time for each exposure by part, and the services' PSS
    in MiB afterwards."""
    data_dir = folder / f"data-{day}-{store.held.facts}"
    data_dir.mkdir()
    empty = open_backend(place, GROUP, folder)
    backend = replace(empty, store_url=store.url)
    told = make_rooms(rooms * EXPOSURES_A_ROOM, day)
    with (
        running_program(place, GROUP, data_dir, group_dir, backend=backend) as program,
        BusTeller(backend) as teller,
        Settling(program) as settling,
    ):
        prepare(teller, settling, told)
        exposures = list(in_turn(told))
        processors = Processors(place, program)
        before = processors.seconds()
        teller.offer(exposures)
        settling.wait(SETTLE_TIMEOUT_S)
        parts = spent(before, processors.seconds())
        pss_mib = sum(pss for _rss, pss in memory_mib(program).values())
    close_backend(place, backend)
    return {name: 1000 * one / len(exposures) for name, one in parts.items()}, pss_mib
