"""A whole group at work: private servers, two processes of each service, lines between all."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

from tests.bench.workplace import Child, Workplace, python_module
from tests.faults.bad_machine import BadMachine, build_library
from tests.faults.bad_servers import BadPostgreSQL, BadRabbitMQ
from tests.faults.doors import RECORD, Doors, dump_records
from tests.faults.invented_group import settings_of, write_group
from tests.faults.lines import Lines
from tests.faults.members import Member, Supervisor
from tests.faults.small_disk import SmallDisk
from tests.record_stand_ins.fhir_server import FhirServer
from tests.record_stand_ins.mllp_server import MllpServer
from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port
from tests.servers.rabbitmq import require_rabbitmq

KINDS = ("intake", "assessment", "charges", "notes", "records", "console")
OF_EACH = 2
READY_S = 600.0
RETRY_WAITS_S = (1, 2, 4, 8, 16)
"""Instead of up to ten minutes: a campaign does not last for hours."""


class Deployment:
    """All of it. ``folder`` keeps logs and what is left to look at; data lies elsewhere."""

    def __init__(self, folder: Path, place: Workplace, lines: Lines) -> None:
        self.folder = folder
        self.lines = lines
        machines = place.subfolder("machines")
        for path in (machines, machines.parent):
            path.chmod(0o755)  # the database runs as somebody else
        library = build_library(machines)
        self.disk = SmallDisk(place.subfolder("disk") / "data")
        self.database_machine = BadMachine(library, "database")
        self.broker_machine = BadMachine(library, "broker")
        require_rabbitmq()
        self.database = BadPostgreSQL(self.database_machine)
        self.broker = BadRabbitMQ(self.broker_machine)
        self.fhir_folder = folder / "fhir"
        self.fhir_folder.mkdir()
        self.fhir = FhirServer(self.fhir_folder)
        self.hl7 = MllpServer(folder)
        ports = [{name: free_port() for name in ("http", "dicom", "mllp")} for _ in range(OF_EACH)]
        ours = {name: lines.open(name, *(one[name] for one in ports)) for name in ports[0]}
        fhir_port = lines.open("fhir record", self.fhir.port)
        self.store_url = ""
        self.bus_url = ""
        self.doors = Doors(
            http_url=f"http://{LOOPBACK}:{ours['http']}",
            dicom=(LOOPBACK, ours["dicom"]),
            mllp=(LOOPBACK, ours["mllp"]),
            fhir_record=f"http://{LOOPBACK}:{fhir_port}/fhir",
            hl7_record=(LOOPBACK, lines.open("hl7 record", self.hl7.port)),
            fhir_folder=str(self.fhir_folder),
            hl7_control=(LOOPBACK, self.hl7.control_port),
            record_folder=str(self.disk.folder / "record"),
            store_url="",
        )
        self._ports = ports
        self._library = library
        self.supervisor = Supervisor([])
        self._noted = ""

    @contextmanager
    def running(self) -> Iterator[None]:
        """Start all of it; in the end stop it in good order."""
        with ExitStack() as stack:
            self.disk.mount()
            stack.callback(self.disk.unmount)
            stack.enter_context(self.fhir.running())
            stack.enter_context(self.hl7.running())
            for server in (self.database, self.broker):
                stack.callback(server.close)
                server.start()
            self._connect()
            environment = self._environment()
            migrate = python_module("services.runtime.cli.main", "migrate")
            Child("migrate", migrate, environment, self.folder).finish(300)
            self.supervisor = Supervisor(
                [
                    self._member(kind, number, environment)
                    for kind in KINDS
                    for number in range(OF_EACH)
                ]
            )
            stack.callback(self.supervisor.kill)
            self.supervisor.start()
            self.wait_until_ready()
            yield
            self.supervisor.stop()

    def wait_until_ready(self) -> None:
        """Wait until every process works."""
        members = self.supervisor.members
        wait_until(
            lambda: all(member.is_ready() for member in members),
            READY_S,
            f"every process to be ready; logs are in {self.folder}",
        )

    def note(self, words: str) -> None:
        """Say how far it is, in a file that is looked at while it runs; what is said anew only."""
        if words != self._noted:
            self._noted = words
            with (self.folder / "progress").open("a", encoding="utf-8") as file:
                file.write(f"{datetime.now(UTC):%H:%M:%S} {words}\n")

    def of(self, kind: str) -> list[Member]:
        """Give the processes of a service."""
        return [member for member in self.supervisor.members if member.kind == kind]

    def machines(self) -> list[BadMachine]:
        """Give every machine that there is."""
        own = [member.machine for member in self.supervisor.members]
        return [self.database_machine, self.broker_machine, *own]

    def keep_records(self) -> None:
        """Put what each record holds where it outlives them, and where the checker looks."""
        dump_records(self.doors, self.folder)
        shutil.copytree(self.doors.record_folder, self.folder / RECORD)

    def _connect(self) -> None:
        direct = self.database.create_database()
        self.direct_bus_url = self.broker.create_vhost()
        self.store_url = _moved(direct, self.lines.open("database", self.database.port))
        self.bus_url = _moved(self.direct_bus_url, self.lines.open("broker", self.broker.port))
        self.doors = replace(self.doors, store_url=direct)
        group = self.folder / "group"
        write_group(group, self.doors)

    def _environment(self) -> dict[str, str]:
        return {
            "GOMPHOSIS_DATA_DIR": str(self.disk.folder / "data"),
            "GOMPHOSIS_GROUP_DIR": str(self.folder / "group"),
            "GOMPHOSIS_STORE__URL": self.store_url,
            "GOMPHOSIS_BUS__URL": self.bus_url,
            "GOMPHOSIS_BUS__RETRY_WAITS_S": json.dumps(RETRY_WAITS_S),
            "GOMPHOSIS_INTAKE__MIN_FREE_BYTES": "65536",
            "GOMPHOSIS_LOG__LEVEL": "warning",
            "GOMPHOSIS_CONSOLE__INTAKE_URL": self.doors.http_url,
            **settings_of(self.folder / "group", self.doors),
        }

    def _member(self, kind: str, number: int, environment: dict[str, str]) -> Member:
        name = f"{kind}-{number + 1}"
        health = free_port()
        own = environment | {"GOMPHOSIS_HEALTH__PORT": str(health)}
        if kind == "intake":
            ports = self._ports[number]
            own |= {
                "GOMPHOSIS_INTAKE__HTTP_PORT": str(ports["http"]),
                "GOMPHOSIS_INTAKE__DICOM_PORT": str(ports["dicom"]),
                "GOMPHOSIS_INTAKE__MLLP__PORT": str(ports["mllp"]),
                "GOMPHOSIS_INTAKE__DICOM_PROCESSES": str(number + 1),
            }
        if kind == "console":
            own["GOMPHOSIS_CONSOLE__PORT"] = str(free_port())
        machine = BadMachine(self._library, name)
        return Member(kind, name, health, own, machine, self.folder)


def _moved(url: str, port: int) -> str:
    """Give the same address at another port of the same host."""
    parts = urlsplit(url)
    before, _, _old = parts.netloc.rpartition(":")
    return urlunsplit(parts._replace(netloc=f"{before}:{port}"))
