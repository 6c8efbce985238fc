"""How long from an exposure, told over HTTP, to its assessment and to the boards that show it."""

from __future__ import annotations

import http.client
import json
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from threading import local
from urllib.parse import urlsplit

from demo.http_teller import invented_token
from tests.bench.assessment_watch import AssessmentWatch
from tests.bench.board_watch import BoardWatch
from tests.bench.bus_teller import BusTeller
from tests.bench.figures import BenchError, Figure, Options, percentile, rotated
from tests.bench.invented_rooms import Told, in_turn, make_rooms, write_group
from tests.bench.program import BACKENDS, Program, running_program
from tests.bench.settling import Settling
from tests.bench.sustained import prepare
from tests.bench.workplace import Workplace, discard
from tests.servers.polling import NeverCameTrueError, wait_until

SECONDS_AT = {5: 20, 70: 20, 500: 8}
"""By exposures a second."""
QUICK_SECONDS = 4
LAST_SEEN_TIMEOUT_S = 40.0
SENDERS = 16
HTTP_TIMEOUT_S = 60.0


@dataclass(frozen=True, slots=True)
class Sample:
    """One exposure: milliseconds from its moment to the HTTP answer, assessment and board."""

    kept_ms: float
    assessed_ms: float
    shown_ms: float
    seen: bool


def measure(options: Options, place: Workplace) -> Figure:
    """Tell exposures at a steady rate to all services; watch the bus and the live pages."""
    figure = Figure("latency", "exposure to board, at a steady rate", rates=False)
    figure.remarks = [
        "from the moment at which the exposure was due to be told (so waiting in line counts) to "
        "the live event after which the read model holds the assessment that names it: then every "
        "open board of its room asks for its part anew; that answer (see chairside) is not in it",
        "all services run, with charges, notes and records at work on what follows; sender, "
        "watchers, services and servers share the machine's cores",
        "about 70 exposures a room and day, two rooms a hospital, one live page for 20 hospitals; "
        "orders, clock readings and images came before, so each exposure is linked as it comes",
        "'kept' is until HTTP 200: the fact is durable. One exposure in each request. An exposure "
        f"not seen within {LAST_SEEN_TIMEOUT_S:.0f} s of the last counts with the time waited",
    ]
    for number in range(options.rounds):
        for rate in options.rates:
            seconds = options.choose(SECONDS_AT.get(rate, 20), QUICK_SECONDS)
            for name in rotated(BACKENDS, number):
                samples = _run(place, name, rate, seconds)
                setting = f"{rate} exposures/s for {seconds} s"
                shown = [sample.shown_ms for sample in samples]
                for unit, value in (
                    ("ms to board, p50", percentile(shown, 50)),
                    ("ms to board, p95", percentile(shown, 95)),
                    ("ms to board, p99", percentile(shown, 99)),
                    ("ms to assessment, p50", percentile([s.assessed_ms for s in samples], 50)),
                    ("ms to kept, p50", percentile([s.kept_ms for s in samples], 50)),
                    ("shown a second", _shown_a_second(samples, rate)),
                    ("not seen", sum(not sample.seen for sample in samples)),
                ):
                    figure.note(name, setting, unit, value, ours=True)
    return figure


def _shown_a_second(samples: Sequence[Sample], rate: int) -> float:
    """Below the rate told, the machine was overloaded and waiting grew with the time measured."""
    last_s = max(number / rate + one.shown_ms / 1000 for number, one in enumerate(samples))
    return len(samples) / last_s


def _run(place: Workplace, backend: str, rate: int, seconds: int) -> list[Sample]:
    folder = place.subfolder("latency")
    data_dir = folder / "data"
    data_dir.mkdir()
    rooms = make_rooms(rate * seconds)
    group_dir = write_group(folder, len(rooms))
    sites = sorted({room.site for room in rooms})
    with running_program(place, backend, data_dir, group_dir) as program:
        with BusTeller(program.backend) as teller, Settling(program) as settling:
            prepare(teller, settling, rooms)
        with (
            AssessmentWatch(program.backend.bus_url) as assessments,
            BoardWatch(program, sites) as boards,
        ):
            samples = _tell_steadily(program, assessments, boards, list(in_turn(rooms)), rate)
    discard(folder)
    return samples


def _tell_steadily(
    program: Program,
    assessments: AssessmentWatch,
    boards: BoardWatch,
    exposures: Sequence[Told],
    rate: int,
) -> list[Sample]:
    generators = _Generators(program.http_url)
    with ThreadPoolExecutor(SENDERS) as senders:
        began_s = time.perf_counter()
        answers = []
        for number, exposure in enumerate(exposures):
            due_s = began_s + number / rate
            time.sleep(max(0.0, due_s - time.perf_counter()))
            answers.append(senders.submit(generators.tell, exposure))
        kept_at_s = [answer.result() for answer in answers]

    def shown_at_s(exposure: Told) -> float | None:
        seen = assessments.seen(exposure.natural_key)
        return boards.seen_at_s(seen.site, seen.study, seen.revision) if seen else None

    with suppress(NeverCameTrueError):  # those not seen are counted as such
        wait_until(
            lambda: all(shown_at_s(one) for one in reversed(exposures)),
            LAST_SEEN_TIMEOUT_S,
            "every exposure to be on its board",
        )
    given_up_s = time.perf_counter()
    samples = []
    for number, (exposure, kept_s) in enumerate(zip(exposures, kept_at_s, strict=True)):
        due_s = began_s + number / rate
        seen, shown_s = assessments.seen(exposure.natural_key), shown_at_s(exposure)
        assessed_s = seen.at_s if seen else given_up_s
        waits_ms = [1000 * (at_s - due_s) for at_s in (kept_s, assessed_s, shown_s or given_up_s)]
        samples.append(Sample(waits_ms[0], waits_ms[1], waits_ms[2], shown_s is not None))
    return samples


class _Generators:
    """Tells exposures over kept connections, one for each thread."""

    def __init__(self, url: str) -> None:
        self._address = urlsplit(url).netloc
        self._own = local()

    def tell(self, told: Told) -> float:
        """Tell one exposure; return when it was kept, by ``time.perf_counter``."""
        if not hasattr(self._own, "connection"):
            self._own.connection = http.client.HTTPConnection(self._address, timeout=HTTP_TIMEOUT_S)
        headers = {
            "Authorization": f"Bearer {invented_token(told.holder)}",
            "Content-Type": "application/json",
        }
        self._own.connection.request("POST", "/facts", json.dumps([told.offer()]), headers)
        answer = self._own.connection.getresponse()
        text = answer.read()
        if answer.status != http.client.OK:
            raise BenchError(f"expected HTTP 200, got {answer.status}", text.decode())
        return time.perf_counter()
