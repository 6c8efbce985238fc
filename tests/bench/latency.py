"""How long from an exposure, told over HTTP, to the assessment that rests on it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass

import httpx

from demo.http_teller import invented_token
from tests.bench.assessment_watch import AssessmentWatch
from tests.bench.figures import BenchError, Figure, Options, percentile, rotated
from tests.bench.invented_images import write_image
from tests.bench.invented_rooms import Room, Told, in_turn, make_rooms, write_group
from tests.bench.program import BACKENDS, Program, running_program
from tests.bench.receivers import sender, sender_environment
from tests.bench.workplace import Child, Workplace, discard
from tests.servers.polling import NeverCameTrueError, wait_until

EXPOSURES_A_SECOND = (5, 70)
PREPARE_TIMEOUT_S = 900.0
LAST_SEEN_TIMEOUT_S = 120.0
SENDERS = 16
OFFERS_A_BODY = 500


@dataclass(frozen=True, slots=True)
class Sample:
    """One exposure: milliseconds from its moment to the HTTP answer and to the assessment."""

    kept_ms: float
    assessed_ms: float
    seen: bool


def measure(options: Options, place: Workplace) -> Figure:
    """Tell exposures at a steady rate to all services and watch the bus for what follows."""
    seconds = options.choose(60, 5)
    title = f"exposure to assessment, at a steady rate for {seconds} s"
    figure = Figure("latency", title, rates=False)
    figure.remarks = [
        "from the moment at which the exposure was due to be told (so waiting in line counts) to "
        "the study_assessed message that names it among its facts, on a queue of the bench's own",
        "all services run, with charges, notes and records at work on what follows; sender, "
        "watcher, services and servers share the machine's cores",
        "about 70 exposures a room and day; orders, clock readings and images came before, so "
        "each exposure is linked as it comes",
        "'kept' is until HTTP 200: the fact is durable. An exposure not seen within "
        f"{LAST_SEEN_TIMEOUT_S:.0f} s of the last counts with the time waited",
    ]
    for number in range(options.rounds):
        for rate in EXPOSURES_A_SECOND:
            for name in rotated(BACKENDS, number):
                samples = _run(place, name, rate, seconds)
                setting = f"{rate} exposures/s"
                assessed = [sample.assessed_ms for sample in samples]
                for unit, value in (
                    ("ms to assessment, median", percentile(assessed, 50)),
                    ("ms to assessment, 99th percentile", percentile(assessed, 99)),
                    ("ms to kept, median", percentile([s.kept_ms for s in samples], 50)),
                    ("assessed a second", _assessed_a_second(samples, rate)),
                    ("not seen", sum(not sample.seen for sample in samples)),
                ):
                    figure.note(name, setting, unit, value, ours=True)
    return figure


def _assessed_a_second(samples: Sequence[Sample], rate: int) -> float:
    """Below the rate told, the machine was overloaded and waiting grew with the time measured."""
    last_s = max(number / rate + one.assessed_ms / 1000 for number, one in enumerate(samples))
    return len(samples) / last_s


def _run(place: Workplace, backend: str, rate: int, seconds: int) -> list[Sample]:
    folder = place.subfolder("latency")
    data_dir = folder / "data"
    data_dir.mkdir()
    rooms = make_rooms(rate * seconds)
    group_dir = write_group(folder, len(rooms))
    with (
        running_program(place, backend, data_dir, group_dir) as program,
        AssessmentWatch(program.backend.bus_url) as watch,
        httpx.Client(base_url=program.http_url, timeout=60.0) as client,
    ):
        _prepare(place, program, client, watch, rooms)
        samples = _tell_steadily(client, watch, list(in_turn(rooms)), rate)
    discard(folder)
    return samples


def _prepare(
    place: Workplace,
    program: Program,
    client: httpx.Client,
    watch: AssessmentWatch,
    rooms: Sequence[Room],
) -> None:
    """Place orders and images, and wait until all that follows from them is done."""
    orders = [order for room in rooms for order in room.orders]
    for begin in range(0, len(orders), OFFERS_A_BODY):
        _tell(client, orders[begin : begin + OFFERS_A_BODY])
    for room in rooms:
        for reading in room.clock_reads:
            _tell(client, [reading])
        images = place.subfolder("room")
        for number, dataset in enumerate(room.images):
            write_image(images / f"{number:05d}.dcm", dataset)
        command = sender(place.dcmtk(), program.dicom_port, images, room.ae_title)
        Child("station", command, sender_environment(), images.parent).finish(PREPARE_TIMEOUT_S)
    wanted = sum(len(room.images) for room in rooms)

    def settled() -> bool:
        program.child.check()
        return watch.count("image") == wanted and watch.waiting() == 0

    try:
        wait_until(settled, PREPARE_TIMEOUT_S, "the images to be assessed")
    except NeverCameTrueError as error:
        raise BenchError(
            f"{program.backend.name}: {watch.count('image')} of {wanted} images assessed within "
            f"{PREPARE_TIMEOUT_S:.0f} s, {watch.waiting()} messages wait",
            program.child.last_words(),
        ) from error


def _tell_steadily(
    client: httpx.Client, watch: AssessmentWatch, exposures: Sequence[Told], rate: int
) -> list[Sample]:
    with ThreadPoolExecutor(SENDERS) as senders:
        began_s = time.perf_counter()
        answers = []
        for number, exposure in enumerate(exposures):
            due_s = began_s + number / rate
            time.sleep(max(0.0, due_s - time.perf_counter()))
            answers.append(senders.submit(_tell, client, [exposure]))
        kept_at_s = [answer.result() for answer in answers]
    with suppress(NeverCameTrueError):  # those not seen are counted as such
        wait_until(
            lambda: all(watch.seen_at_s(one.natural_key) for one in reversed(exposures)),
            LAST_SEEN_TIMEOUT_S,
            "every exposure to be assessed",
        )
    given_up_s = time.perf_counter()
    samples = []
    for number, (exposure, kept_s) in enumerate(zip(exposures, kept_at_s, strict=True)):
        due_s = began_s + number / rate
        seen_s = watch.seen_at_s(exposure.natural_key)
        assessed_ms = ((seen_s or given_up_s) - due_s) * 1000
        samples.append(Sample((kept_s - due_s) * 1000, assessed_ms, seen_s is not None))
    return samples


def _tell(client: httpx.Client, told: Sequence[Told]) -> float:
    """Tell facts of one holder; return when they were kept, by ``time.perf_counter``."""
    response = client.post(
        "/facts",
        json=[one.offer() for one in told],
        headers={"Authorization": f"Bearer {invented_token(told[0].holder)}"},
    )
    kept_s = time.perf_counter()
    if response.status_code != 200:
        kind = told[0].fact.KIND
        raise BenchError(f"{kind}: expected HTTP 200, got {response.status_code}", response.text)
    return kept_s
