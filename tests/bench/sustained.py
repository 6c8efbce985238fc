"""Facts per second that the whole system keeps up, and what each part takes of the processors."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from tests.bench.bus_teller import BusTeller
from tests.bench.figures import BenchError, Figure, Options, rotated
from tests.bench.invented_rooms import Room, Told, in_turn, make_rooms, write_group
from tests.bench.processor import Processors, spent
from tests.bench.program import GROUP, running_program
from tests.bench.settling import Settling
from tests.bench.workplace import Workplace, discard

A_ROOM = 35
"""Half a day's exposures of a room: what it holds on the average of a day."""
CORES = 2
SETTLE_TIMEOUT_S = 1_800.0


@dataclass(frozen=True, slots=True)
class _Setting:
    """How many workers of assessment, and the most messages that any worker takes at once."""

    workers: int
    batch: int = 50


SETTINGS = {
    "1 of assessment": _Setting(1),
    "2 of assessment": _Setting(2),
    "4 of assessment": _Setting(4),
    "1 of assessment, batches of 200": _Setting(1, 200),
}


def measure(options: Options, place: Workplace) -> Figure:
    """Offer exposures all at once and see until the last conclusion has been taken."""
    count = options.choose(2_100, 280)
    figure = Figure("sustained", f"{count:,} exposures through all services", rates=False)
    figure.remarks = [
        "from the first exposure offered over AMQP until the last service has taken the last "
        "conclusion: intake, assessment, charges, notes, records and console, PostgreSQL with its "
        "syncs on, RabbitMQ with quorum queues, on the same cores",
        f"{A_ROOM} exposures a room, the rooms in turn, two rooms a hospital: a batch of 50 seldom "
        "holds two facts of one study; orders, clock readings and images came before, so each "
        "exposure is linked as it comes and tells its study anew",
        "ms CPU: user and system time of a part's processes, divided by the exposures; the bench's "
        "own is in none. 'two cores could' is what that leaves of two cores that do nothing else",
    ]
    for number in range(options.rounds):
        for name in rotated(list(SETTINGS), number):
            facts_a_second, parts = _run(place, SETTINGS[name], count)
            figure.note(name, GROUP, "facts/s", facts_a_second, ours=True)
            for part, seconds in sorted(parts.items()):
                figure.note(name, part, "ms CPU/fact", 1000 * seconds / count, ours=True)
            total_s = sum(parts.values())
            figure.note(name, "all", "ms CPU/fact", 1000 * total_s / count, ours=True)
            could = CORES * count / total_s
            figure.note(name, "all", "facts/s that two cores could", could, ours=True)
    return figure


def _run(place: Workplace, setting: _Setting, count: int) -> tuple[float, dict[str, float]]:
    folder = place.subfolder("sustained")
    data_dir = folder / "data"
    data_dir.mkdir()
    rooms = make_rooms(count, a_room=A_ROOM)
    group_dir = write_group(folder, len(rooms))
    batches = {
        "GOMPHOSIS_BUS__BATCH": str(setting.batch),
        "GOMPHOSIS_BUS__PREFETCH": str(2 * setting.batch),
    }
    further = ["assessment"] * (setting.workers - 1)
    with (
        running_program(
            place,
            GROUP,
            data_dir,
            group_dir,
            further_settings=batches,
            further_workers=further,
        ) as program,
        BusTeller(program.backend) as teller,
        Settling(program) as settling,
    ):
        prepare(teller, settling, rooms)
        exposures = list(in_turn(rooms))
        processors = Processors(place, program)
        before, began_s = processors.seconds(), time.perf_counter()
        teller.offer(exposures)
        took_s = settling.wait(SETTLE_TIMEOUT_S) - began_s
        parts = spent(before, processors.seconds())
        _check_all_assessed(settling, exposures)
    discard(folder)
    return count / took_s, parts


def prepare(teller: BusTeller, settling: Settling, rooms: Sequence[Room]) -> None:
    """Tell orders, clock readings and images, and wait until all that follows is done."""
    teller.offer([one for room in rooms for one in (*room.orders, *room.clock_reads)])
    settling.wait(SETTLE_TIMEOUT_S)
    teller.keep([image for room in rooms for image in room.images])
    settling.wait(SETTLE_TIMEOUT_S)


def _check_all_assessed(settling: Settling, exposures: Sequence[Told]) -> None:
    missing = {one.natural_key for one in exposures} - settling.facts_assessed()
    if missing:
        raise BenchError(f"expected every exposure in an assessment, {len(missing)} are in none")
