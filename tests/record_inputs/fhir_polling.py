"""Intake over a stand-in FHIR server that it polls."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.intake_support import Intake, running_intake
from tests.record_inputs.codes import record_group, write_codes
from tests.record_inputs.fhir_resources import Json, encounter, order, patient, weight
from tests.record_inputs.fhir_server_process import Server
from tests.servers.polling import wait_until

NEVER_S = 10_000.0


@contextmanager
def polling(folder: Path, server: Server | None, **fhir: Any) -> Iterator[Intake]:
    """Run intake; its poller asks on starting, then when it is told to."""
    write_codes(folder)
    options: dict[str, Any] = {}
    if server is not None:
        options["fhir"] = {
            "base_url": f"{server.url}/fhir",
            "site": "north",
            "device": "record-north",
            "poll_s": 0.2,
            "first_look_back_s": 31_536_000,
        } | fhir
    with running_intake(folder, group=record_group(), **options) as intake:
        yield intake


def stamp(seconds: float = 0.0) -> str:
    at = datetime(2026, 11, 2, 8, 0, tzinfo=UTC) + timedelta(seconds=seconds)
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


def kept(intake: Intake, kind: str, count: int) -> list[Any]:
    wait_until(lambda: len(intake.facts(kind)) >= count, 60, f"{count} facts of {kind}")
    return [fact.payload for fact in intake.facts(kind)]


def a_day(count: int) -> list[Json]:
    made: list[Json] = [encounter()]
    for number in range(count):
        animal = f"p{number}"
        made += [
            patient(animal, stamp(number)),
            weight(f"w{number}", updated=stamp(number), patient_number=animal),
            order(f"s{number}", stamp(number), subject={"reference": f"Patient/{animal}"}),
        ]
    return made
