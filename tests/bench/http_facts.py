"""Facts per second by ``POST /facts``, in bodies of one, ten and a hundred."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from http.client import HTTPConnection
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from sqlalchemy import func, select

from demo.http_teller import invented_token
from schemas.facts import ExposureEnded
from services.intake.store import FACT
from services.runtime.store import Store
from tests.bench.figures import BenchError, Figure, Options, rotated
from tests.bench.invented_images import DAY_BEGINS
from tests.bench.invented_rooms import write_group
from tests.bench.program import BACKENDS, running_program
from tests.bench.workplace import Child, Workplace, discard, python_module
from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port, port_is_open

BARE = "bare FastAPI + SQLite, same model, same sync"
CONTENDERS = (*BACKENDS, BARE)
GENERATOR = "generator-0"  # of write_group
CLIENTS = 4
TIMEOUT_S = 60.0
FACTS = {1: (2_000, 40), 10: (8_000, 200), 100: (20_000, 800)}
"""Facts in a body: how many in all, for a real run and for a quick look."""

_counters = count(1)


@dataclass(frozen=True, slots=True)
class _Door:
    """Where to post, and how to count what is kept."""

    url: str
    kept: Callable[[], int]


def measure(options: Options, place: Workplace) -> Figure:
    """Post the same kind of bodies to each door in turn, over connections that stay open."""
    figure = Figure("http-facts", "exposures kept by POST /facts", rates=True)
    figure.remarks = [
        f"{CLIENTS} clients, each with one connection that stays open and one body under way; "
        "client, door and servers share the machine's cores",
        "ours: token, each fact read and refused on its own, known ones recognised, fact and "
        "message for the bus committed with sync before HTTP 200, published beside that",
        "bare: uvicorn and FastAPI, the same model, one row a fact, one transaction a body with "
        "the same sync; no token, no bus, a fact that was told before is an error",
        "the disk is synced before each measurement",
    ]
    for number in range(options.rounds):
        for name in rotated(CONTENDERS, number):
            folder = place.subfolder("facts")
            with _running(place, name, folder) as door:
                _post_all(door, _bodies(10, 40))  # the first ones load and compile
                for size, (full, quick) in FACTS.items():
                    bodies = _bodies(size, options.choose(full, quick))
                    rate = _post_all(door, bodies)
                    setting = f"{size} fact{'s' * (size > 1)} in a body"
                    figure.note(name, setting, "facts/s", rate, ours=name != BARE)
            discard(folder)
    return figure


@contextmanager
def _running(place: Workplace, name: str, folder: Path) -> Iterator[_Door]:
    if name != BARE:
        group_dir = write_group(folder, 1)
        with running_program(place, name, folder, group_dir, "intake") as program:
            yield _Door(program.http_url, lambda: _facts_in(program.backend.store_url))
        return
    port, path = free_port(), folder / "facts.sqlite"
    command = python_module("tests.bench.peers.bare_facts", str(port), str(path))
    child = Child("door", command, {}, folder)
    try:
        wait_until(lambda: _is_open(child, port), TIMEOUT_S, "the bare door to open")
        yield _Door(f"http://{LOOPBACK}:{port}", lambda: _rows_in(path))
        child.check()
    finally:
        child.stop()


def _is_open(child: Child, port: int) -> bool:
    child.check()
    return port_is_open(port)


def _facts_in(store_url: str) -> int:
    store = Store(store_url)
    try:
        with store.read() as connection:
            return int(connection.scalar(select(func.count()).select_from(FACT)) or 0)
    finally:
        store.close()


def _rows_in(path: Path) -> int:
    connection = sqlite3.connect(path)
    try:
        return int(connection.execute("SELECT count(*) FROM fact").fetchone()[0])
    finally:
        connection.close()


def _bodies(size: int, facts: int) -> list[list[dict[str, Any]]]:
    return [[_offer(next(_counters)) for _ in range(size)] for _ in range(facts // size)]


def _offer(counter: int) -> dict[str, Any]:
    payload = ExposureEnded.EXAMPLES[0] | {
        "room": "dental-0",
        "generator": GENERATOR,
        "exposure_counter": counter,
    }
    return {
        "kind": ExposureEnded.KIND,
        "schema_version": ExposureEnded.VERSION,
        "occurred_at": (DAY_BEGINS + timedelta(seconds=counter)).isoformat(),
        "payload": payload,
    }


def _post_all(door: _Door, bodies: Sequence[list[dict[str, Any]]]) -> float:
    """Post all bodies; give facts per second, from the first byte to the last answer."""
    facts = sum(map(len, bodies))
    encoded = [json.dumps(body).encode() for body in bodies]
    before = door.kept()
    os.sync()
    with ThreadPoolExecutor(CLIENTS) as clients:
        began = time.perf_counter()
        posted = [clients.submit(_post, door.url, encoded[n::CLIENTS]) for n in range(CLIENTS)]
        for one in posted:
            one.result()
        took_s = time.perf_counter() - began
    kept = door.kept() - before
    if kept != facts:
        raise BenchError(f"http-facts: {facts} were answered with success, {kept} are kept")
    return facts / took_s


def _post(url: str, bodies: Sequence[bytes]) -> None:
    headers = {
        "Authorization": f"Bearer {invented_token(GENERATOR)}",
        "Content-Type": "application/json",
    }
    connection = HTTPConnection(urlsplit(url).netloc, timeout=TIMEOUT_S)
    try:
        for body in bodies:
            connection.request("POST", "/facts", body, headers)
            answer = connection.getresponse()
            said = answer.read()
            if answer.status != 200:
                words = said[:1000].decode(errors="replace")
                raise BenchError(f"http-facts: expected HTTP 200, got {answer.status}", words)
    finally:
        connection.close()
