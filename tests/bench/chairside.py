"""How long from an exposure, told over HTTP, to the open board that shows it."""

from __future__ import annotations

import re
import time

from demo.hospital import running_hospital
from tests.bench.figures import BenchError, Figure, Options, percentile
from tests.bench.workplace import Workplace
from tests.chairside_day import ChairsideDay, signed_in, study_address


def measure(options: Options, place: Workplace) -> Figure:
    """Tell exposures one by one; an open page hears the event and asks for its part anew."""
    count = options.choose(50, 5)
    figure = Figure("chairside", "exposure to the open board that shows it", rates=False)
    figure.remarks = [
        "from before POST /facts at intake to the end of the board's answer that holds it, asked "
        "for when the server-sent event had come; without the browser's own painting",
        "all services run on one machine, on SQLite and the embedded bus",
    ]
    for _ in range(options.rounds):
        waits_ms = _run(place, count)
        for unit, share in (("ms p50", 50), ("ms p95", 95), ("ms max", 100)):
            setting = f"{count} exposures"
            figure.note("gomphosis", setting, unit, percentile(waits_ms, share), ours=True)
    return figure


def _run(place: Workplace, count: int) -> list[float]:
    waits_ms = []
    settings = {"GOMPHOSIS_CONSOLE__TAPS_PER_MINUTE": "10000"}
    with running_hospital(place.subfolder("chairside"), **settings) as hospital:
        day = ChairsideDay(hospital)
        study = day.order(1)
        address = study_address(day, study)
        with signed_in(day, "tech-1") as technician:
            live = re.search(r'sse-connect="([^"]+)"', technician.get(address).text)
            if live is None:
                raise BenchError("chairside: expected the board to listen")
            with technician.events(day.url + live[1].replace("&amp;", "&")) as events:
                for number in range(count):
                    began = time.perf_counter()
                    day.expose(1, "max-incisors", exposure_ms=90.0 + number / 100, after_s=5.0)
                    shown = f"{90 + number / 100:g} ms"
                    for _event in events:
                        if shown in technician.get(f"{address}/now").text:
                            break
                    waits_ms.append(1_000 * (time.perf_counter() - began))
        day.close()
    return waits_ms
