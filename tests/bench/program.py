"""Our own program, started as its users start it: ``gomphosis start`` on free loopback ports."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

from services.runtime.service import service_names
from tests.bench.figures import BenchError
from tests.bench.workplace import Child, Workplace, python_module
from tests.servers.polling import NeverCameTrueError, wait_until
from tests.servers.ports import LOOPBACK, free_port
from tests.servers.private import plain_environment

EMBEDDED = "gomphosis, SQLite + embedded bus"
GROUP = "gomphosis, PostgreSQL + RabbitMQ"
BACKENDS = (EMBEDDED, GROUP)
READY_TIMEOUT_S = 300.0
COMMAND = "services.runtime.cli.main"


@dataclass(frozen=True, slots=True)
class Backend:
    """Where state is kept and what carries messages. ``vhost`` is to be dropped afterwards."""

    name: str
    store_url: str
    bus_url: str
    vhost: str | None = None


@dataclass(frozen=True, slots=True)
class Program:
    """A running program and where it listens. ``further`` are workers beside those it starts."""

    child: Child
    backend: Backend
    data_dir: Path
    http_url: str
    dicom_port: int
    environment: dict[str, str]
    further: tuple[Child, ...] = ()

    @property
    def console_url(self) -> str:
        return f"http://{LOOPBACK}:{self.environment['GOMPHOSIS_CONSOLE__PORT']}"


def open_backend(place: Workplace, name: str, data_dir: Path) -> Backend:
    """Make an empty database and vhost, or name the files in the data folder."""
    if name == EMBEDDED:
        return Backend(
            name,
            f"sqlite:///{data_dir / 'gomphosis.sqlite'}",
            f"embedded:{data_dir / 'bus.sqlite'}",
        )
    vhost = place.broker().create_vhost()
    return Backend(name, place.database().create_database(), vhost, vhost)


def close_backend(place: Workplace, backend: Backend) -> None:
    """Remove what would weigh on the next round."""
    if backend.vhost is not None:
        place.drop_vhost(backend.vhost)


@contextmanager
def running_program(
    place: Workplace,
    backend_name: str,
    data_dir: Path,
    group_dir: Path,
    service: str = "all",
    further_settings: Mapping[str, str] | None = None,
    further_workers: Sequence[str] = (),
    backend: Backend | None = None,
) -> Iterator[Program]:
    """Start all services, or one, with everything kept in ``data_dir``; stop them at the end.

    ``further_workers`` names services of which one more process is to run, once for each. A
    ``backend`` that is given holds what it held before, and is left to the caller.
    """
    services = service_names() if service == "all" else [service]
    given, backend = backend, backend or open_backend(place, backend_name, data_dir)
    ports = len(services) + len(further_workers)
    http_port, dicom_port, health_port = free_port(), free_port(), _free_row(ports)
    environment = plain_environment() | {
        "GOMPHOSIS_DATA_DIR": str(data_dir),
        "GOMPHOSIS_GROUP_DIR": str(group_dir),
        "GOMPHOSIS_STORE__URL": backend.store_url,
        "GOMPHOSIS_BUS__URL": backend.bus_url,
        "GOMPHOSIS_INTAKE__DICOM_PORT": str(dicom_port),
        "GOMPHOSIS_INTAKE__HTTP_PORT": str(http_port),
        "GOMPHOSIS_CONSOLE__PORT": str(free_port()),
        "GOMPHOSIS_HEALTH__PORT": str(health_port),
        "GOMPHOSIS_RECORDS__OPTIONS": json.dumps({"path": str(data_dir / "record")}),
        **(further_settings or {}),
    }
    if service != "all":
        Child("migrate", python_module(COMMAND, "migrate"), environment, data_dir).finish(60)
    child = Child("start", python_module(COMMAND, "start", service), environment, data_dir)
    further: list[Child] = []
    try:
        _wait_until_ready(child, [health_port + index for index in range(len(services))])
        for port, name in enumerate(further_workers, health_port + len(services)):
            command = python_module(COMMAND, "start", name, "--health-port", str(port))
            further.append(Child(f"start-{name}-{port}", command, environment, data_dir))
            _wait_until_ready(further[-1], [port])
        url = f"http://{LOOPBACK}:{http_port}"
        yield Program(child, backend, data_dir, url, dicom_port, environment, tuple(further))
        for one in (child, *further):
            one.check()
    finally:
        for one in (*further, child):
            one.stop()
        if given is None:
            close_backend(place, backend)


def _wait_until_ready(child: Child, ports: list[int]) -> None:
    def all_ready() -> bool:
        child.check()
        return all(_is_ready(port) for port in ports)

    try:
        wait_until(all_ready, READY_TIMEOUT_S, "every service to be ready")
    except NeverCameTrueError as error:
        sentence = f"services: expected all ready within {READY_TIMEOUT_S:.0f} s"
        raise BenchError(sentence, child.last_words()) from error


def _is_ready(port: int) -> bool:
    try:
        with urlopen(f"http://{LOOPBACK}:{port}/readyz", timeout=2) as answer:
            return bool(answer.status == 200)
    except (URLError, OSError):
        return False


def _free_row(length: int) -> int:
    """Find the first of a row of free ports: the services' health takes one after another."""
    for _ in range(200):
        first = free_port()
        if all(_can_bind(first + index) for index in range(length)):
            return first
    raise BenchError(f"ports: expected {length} free ones in a row on the loopback address")


def _can_bind(port: int) -> bool:
    with socket.socket() as probe:
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return False
        return True
