"""Charges per second into each kind of record, against a bare client of the same stand-in."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import create_engine, insert

from services.records.adapters.codes_option import open_codes
from services.records.adapters.fhir_charge import charge_item
from services.records.adapters.fhir_names import Names, key_value, query
from services.records.adapters.folder import FolderAdapter
from services.records.adapters.hl7_link import END, framed
from services.records.adapters.hl7_messages import charge_message
from services.records.adapters.hl7_options import read_options
from services.records.adapters.sql_rows import charge_row
from services.records.adapters.sql_tables import CHARGE
from services.records.port import Accepted, ChargePosting, PatientRecord
from services.records.suite.samples import charge_posting, entry
from tests.bench.figures import BenchError, Figure, Options, rotated
from tests.bench.workplace import Workplace, discard
from tests.record_stand_ins.fhir_server import FhirServer, known_patient
from tests.record_stand_ins.mllp_server import MllpServer
from tests.record_stand_ins.sql_server import SqlServer
from tests.servers.ports import LOOPBACK

OURS, BARE = "adapter", "bare client"
POSTINGS = (200, 20)
BATCH = 50
NAMES = Names("https://gomphosis.invalid/fhir")
OURS_ALONE = open_codes("")

Post = Callable[[Sequence[ChargePosting]], int]
"""Posts charges; gives how many the record took."""

_numbers = count(1)


def measure(options: Options, place: Workplace) -> Figure:
    """Post the same kind of charges by each adapter and by its bare peer, in turn."""
    figure = Figure("postings", "charges taken by a record", rates=True)
    figure.remarks = [
        "one charge under way, none held before; stand-in, adapter and peer share the cores",
        "ours: the adapter alone, without the poster's own commits before and after each posting",
        "the peers send or write the same content once and look at no more than "
        "the status: no look-up of the patient, no key searched, nothing said in words",
        f"FHIR in batches: {BATCH} in one bundle; the peer knows its patients, over one connection "
        "that stays open, where ours opens one for each request",
    ]
    number_of = options.choose(*POSTINGS)
    for number in range(options.rounds):
        for setting, running in _RECORDS.items():
            folder = place.subfolder("postings")
            os.sync()
            with running(folder) as contenders:
                for name in rotated((OURS, BARE), number):
                    rate = _rate(contenders[name], number_of)
                    figure.note(name, setting, "charges/s", rate, ours=name == OURS)
            discard(folder)
    return figure


def _rate(post: Post, number_of: int) -> float:
    if post(_postings(2)) != 2:  # the first ones connect and ask what the record can do
        raise BenchError("postings: the first charges were not taken")
    postings = _postings(number_of)
    began = time.perf_counter()
    taken = post(postings)
    took_s = time.perf_counter() - began
    if taken != number_of:
        raise BenchError(f"postings: {number_of} were posted, {taken} were taken")
    return number_of / took_s


def _postings(number_of: int) -> list[ChargePosting]:
    made = []
    for number in (next(_numbers) for _ in range(number_of)):
        study = f"2.25.{70_000 + number}"
        line = entry(1, study, patient_id=_patient(number))
        made.append(charge_posting(line, study_instance_uid=study, patient_id=_patient(number)))
    return made


def _patient(number: int) -> str:
    return f"P-{number % 20}"


def _by(record: PatientRecord) -> Post:
    return lambda postings: sum(isinstance(record.post_charge(one), Accepted) for one in postings)


@contextmanager
def _folder(folder: Path) -> Iterator[dict[str, Post]]:
    """The peer writes the same content, syncs file and folder, and renames: no more."""
    bare = folder / "bare"
    bare.mkdir()

    def write(postings: Sequence[ChargePosting]) -> int:
        for one in postings:
            own = bare / one.study_instance_uid
            own.mkdir()
            part = own / "part"
            with part.open("wb") as file:
                file.write(one.entry.model_dump_json().encode())
                file.flush()
                os.fsync(file.fileno())
            part.rename(own / "1.json")
            handle = os.open(own, os.O_RDONLY)
            os.fsync(handle)
            os.close(handle)
        return len(postings)

    yield {OURS: _by(FolderAdapter({"path": str(folder / "record")})), BARE: write}


@contextmanager
def _fhir(folder: Path, *, batches: bool) -> Iterator[dict[str, Post]]:
    with FhirServer(folder).running() as server:
        server.control(reset=True)
        server.behave(batches=batches)
        server.control(resources=[known_patient(f"P-{number}") for number in range(20)])
        subjects = {
            one["identifier"][0]["value"]: {"reference": f"Patient/{one['id']}"}
            for one in server.held("Patient")
        }
        record = server.adapter()

        def together(postings: Sequence[ChargePosting]) -> int:
            answers: dict[str, Any] = {}
            for start in range(0, len(postings), BATCH):
                answers |= record.post_charges(postings[start : start + BATCH])
            return sum(isinstance(one, Accepted) for one in answers.values())

        def entries(postings: Sequence[ChargePosting]) -> list[dict[str, Any]]:
            now, codes = datetime.now(UTC), OURS_ALONE.now()
            made = []
            for one in postings:
                subject = subjects[one.patient_id]
                item = charge_item(one, NAMES, codes, one.entry.code, subject, [], now)
                condition = query(NAMES.posting_key, key_value(one.key))
                request = {"method": "POST", "url": "ChargeItem", "ifNoneExist": condition}
                made.append({"resource": item, "request": request})
            return made

        with httpx.Client(base_url=f"{server.url}/fhir/", timeout=60) as client:

            def bare(postings: Sequence[ChargePosting]) -> int:
                taken = 0
                for one in entries(postings):
                    condition = {"If-None-Exist": one["request"]["ifNoneExist"]}
                    answer = client.post("ChargeItem", json=one["resource"], headers=condition)
                    taken += answer.status_code == 201
                return taken

            def bare_together(postings: Sequence[ChargePosting]) -> int:
                taken = 0
                made = entries(postings)
                for start in range(0, len(made), BATCH):
                    part = made[start : start + BATCH]
                    bundle = {"resourceType": "Bundle", "type": "batch", "entry": part}
                    told = client.post("", json=bundle).json()["entry"]
                    taken += sum(one["response"]["status"].startswith("201") for one in told)
                return taken

            if batches:
                yield {OURS: together, BARE: bare_together}
            else:
                yield {OURS: _by(record), BARE: bare}
        record.close()


@contextmanager
def _hl7(folder: Path) -> Iterator[dict[str, Post]]:
    with MllpServer(folder).running() as server:
        server.control(reset=True, wants_commit=False)
        record = server.adapter(mode="original")
        options = read_options({"host": LOOPBACK, "port": str(server.port), "mode": "original"})
        with closing(socket.create_connection((LOOPBACK, server.port), 60)) as connection:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

            def bare(postings: Sequence[ChargePosting]) -> int:
                taken = 0
                for one in postings:
                    message = charge_message(one, one.entry.code, options)
                    connection.sendall(framed(message.written(options, datetime.now(UTC))))
                    answer = b""
                    while not answer.endswith(END):
                        answer += connection.recv(65_536)
                    taken += b"MSA|AA|" in answer
                return taken

            yield {OURS: _by(record), BARE: bare}
        record.close()


@contextmanager
def _sql(folder: Path, url: str) -> Iterator[dict[str, Post]]:
    with SqlServer(url, folder).running() as server:
        server.control(reset=True, reachable=True)
        record = server.adapter(direct=True)
        engine = create_engine(url)

        def bare(postings: Sequence[ChargePosting]) -> int:
            for one in postings:
                with engine.begin() as connection:
                    row = charge_row(one, OURS_ALONE, one.entry.code)
                    connection.execute(insert(CHARGE).values(row))
            return len(postings)

        yield {OURS: _by(record), BARE: bare}
        record.close()
        engine.dispose()


_RECORDS: dict[str, Callable[[Path], Any]] = {
    "folder": _folder,
    "FHIR, one by one": lambda folder: _fhir(folder, batches=False),
    "FHIR, in batches": lambda folder: _fhir(folder, batches=True),
    "HL7 v2 over MLLP": _hl7,
    "SQL (SQLite)": lambda folder: _sql(folder, f"sqlite:///{folder}/record.sqlite"),
}
