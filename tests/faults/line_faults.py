"""Faults of the network: cut in mid-message, stalled, slow, away; by the lines' proxy."""

from __future__ import annotations

import random
from functools import partial

from tests.faults.deployment import Deployment
from tests.faults.fault import Begun, Kind

INNER = ("database", "broker")
DOORS = ("http", "dicom", "mllp")
RECORDS = ("fhir record", "hl7 record")
CUT = (1, 1, 2, 5, 20)
WITHIN = 4
"""Messages of a connection; of a record's the request is cut, or its answer."""


def _cut(line: str, place: Deployment, chance: random.Random) -> Begun:
    before = place.lines.told(line)
    count = chance.choice(CUT)
    place.lines.cut(line, count, WITHIN)

    def heal() -> None:
        place.lines.cut(line, 0)  # who has not come by now is spared

    return Begun(f"{count} connections, {before['open']} are open", heal)


def _stall(line: str, place: Deployment, _chance: random.Random) -> Begun:
    place.lines.stall(line, on=True)
    return Begun("nothing flows, nobody is told", partial(place.lines.stall, line, on=False))


def _slow(line: str, place: Deployment, chance: random.Random) -> Begun:
    delay_s = chance.choice((0.01, 0.03, 0.1))
    place.lines.slow(line, delay_s)
    return Begun(f"{delay_s * 1000:.0f} ms for each piece", partial(place.lines.slow, line, 0.0))


def _away(lines: tuple[str, ...], place: Deployment, _chance: random.Random) -> Begun:
    for line in lines:
        place.lines.refuse(line, on=True)

    def back() -> None:
        for line in lines:
            place.lines.refuse(line, on=False)

    return Begun("all connections cut, none taken", back)


LINE_FAULTS = (
    *(
        Kind(f"cut in mid-message: {line}", f"cut {line}", (1.0, 5.0), partial(_cut, line))
        for line in INNER + DOORS + RECORDS
    ),
    *(
        Kind(f"line stalls: {line}", f"line {line}", (1.0, 12.0), partial(_stall, line))
        for line in (*INNER, "http", *RECORDS)
    ),
    *(
        Kind(f"line is slow: {line}", f"line {line}", (2.0, 8.0), partial(_slow, line))
        for line in INNER
    ),
    Kind("doors cannot be reached", "doors", (1.0, 8.0), partial(_away, DOORS)),
)
