"""Faults of the patient records: away, killed, and lying in their answers."""

from __future__ import annotations

import random
from functools import partial
from typing import Any

import httpx

from tests.faults.deployment import Deployment
from tests.faults.fault import Begun, CannotBegin, Kind, at_once

FHIR_LIES: tuple[dict[str, Any], ...] = (
    {"do": "status", "status": 500},
    {"do": "status", "status": 500, "commit": False},
    {"do": "status", "status": 503, "headers": {"Retry-After": "2"}},
    {"do": "status", "status": 409, "commit": False},
    {"do": "status", "status": 429, "commit": False, "headers": {"Retry-After": "1"}},
    {"do": "cut"},
    {"do": "cut", "commit": False},
    {"do": "half"},
    {"do": "twice"},
    {"do": "slow", "seconds": 3},
)
"""Without ``commit: false`` the record has done what it was asked, and says otherwise."""

HL7_LIES: tuple[dict[str, Any], ...] = (
    {"do": "cut"},
    {"do": "cut_before"},
    {"do": "half"},
    {"do": "wrong_id"},
    {"do": "wrong_id_only"},
    {"do": "twice"},
    {"do": "noise"},
    {"do": "commit_only"},
    {"do": "slow", "seconds": 3},
    {"do": "refuse", "code": "AR", "condition": "207", "words": "not now (invented)"},
    {"do": "refuse", "code": "AE", "condition": "206", "words": "locked (invented)"},
)
MOST_LIES = 6


def _away(record: str, place: Deployment, _chance: random.Random) -> Begun:
    place.lines.refuse(f"{record} record", on=True)
    back = partial(place.lines.refuse, f"{record} record", on=False)
    return Begun("all connections cut, none taken", back)


def _kill_fhir(place: Deployment, _chance: random.Random) -> Begun:
    place.fhir.kill()
    return Begun("SIGKILL; what it holds is on its disk", place.fhir.start)


def _fhir_lies(place: Deployment, chance: random.Random) -> Begun:
    lies = chance.choices(FHIR_LIES, k=chance.randint(1, MOST_LIES))
    methods = [chance.choice(("POST", "POST", "GET")) for _ in lies]
    told = [lie | {"method": method} for lie, method in zip(lies, methods, strict=True)]
    try:
        place.fhir.control(faults=told)
    except httpx.HTTPError as error:
        raise CannotBegin("the record is away itself") from error
    return Begun(_words(told))


def _hl7_lies(place: Deployment, chance: random.Random) -> Begun:
    lies = chance.choices(HL7_LIES, k=chance.randint(1, MOST_LIES))
    place.hl7.control(faults=lies)
    return Begun(_words(lies))


def _words(lies: list[dict[str, Any]]) -> str:
    return ", ".join(" ".join(str(value) for value in lie.values()) for lie in lies)


RECORD_FAULTS = (
    Kind("FHIR record away", "fhir", (1.0, 10.0), partial(_away, "fhir")),
    Kind("HL7 record away", "hl7", (1.0, 10.0), partial(_away, "hl7")),
    Kind("FHIR record killed (-9)", "fhir", (0.0, 5.0), _kill_fhir),
    Kind("FHIR record lies", "fhir lies", at_once(), _fhir_lies),
    Kind("HL7 record lies", "hl7 lies", at_once(), _hl7_lies),
)
