"""HL7 v2 over MLLP on real sockets: from a client process to facts, and every refusal."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml
from sqlalchemy import select

from schemas.facts import OrderPlaced, PatientDescribed
from services.intake.hl7_message import Hl7Message, read_message
from services.intake.store import FACT
from services.runtime.migrate import migrate
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.intake_support import HOST, Intake, running_intake
from tests.record_inputs.codes import record_group, write_codes
from tests.record_inputs.hl7_texts import adt, header, joined, obr, omg, orm
from tests.record_inputs.mllp_client import END, START, MllpClient
from tests.servers.polling import wait_until
from tests.servers.ports import free_port, port_is_open

ROOT = Path(__file__).parents[2]


@contextmanager
def listening(
    folder: Path, device: dict[str, Any] | None = None, **mllp: Any
) -> Iterator[tuple[Intake, int]]:
    write_codes(folder)
    options = {"enabled": True, "port": 0} | mllp
    with running_intake(folder, group=record_group(**(device or {})), mllp=options) as intake:
        server = next(loop for loop in intake.service.loops if loop.name == "mllp")
        yield intake, server.run.__self__.port  # type: ignore[attr-defined]


@pytest.fixture
def line(tmp_path: Path) -> Iterator[tuple[Intake, int]]:
    with listening(tmp_path) as opened:
        yield opened


def read(answer: bytes | None) -> Hl7Message:
    assert answer is not None, "the line was closed without an answer"
    return read_message(answer, "UNICODE UTF-8")


def code(answer: bytes | None) -> str:
    return read(answer).one("MSA").text(1)


def ask(port: int, lines: list[str]) -> bytes | None:
    with MllpClient(port) as client:
        return client.ask(joined(lines))


def test_a_client_process_tells_a_patient_and_an_order(
    line: tuple[Intake, int], tmp_path: Path
) -> None:
    # given
    intake, port = line
    files = []
    for number, lines in enumerate([adt(control_id="C-1"), orm(control_id="C-2")]):
        files.append(tmp_path / f"message-{number}")
        files[-1].write_bytes(joined(lines))

    # when
    program = [sys.executable, "-m", "tests.record_inputs.mllp_client", HOST, str(port)]
    command = [*program, *(str(file) for file in files)]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=True)

    # then
    answers = [read(json.loads(text).encode()) for text in run.stdout.splitlines()]
    told = [(one.one("MSA").text(1), one.one("MSA").text(2)) for one in answers]
    assert told == [("AA", "C-1"), ("AA", "C-2")]
    patient, order = intake.facts()
    assert isinstance(patient.payload, PatientDescribed)
    assert isinstance(order.payload, OrderPlaced)
    assert (order.site, order.source.kind, order.source.name) == ("north", "record", "record-north")
    assert order.source_clock == "20260302090000+0100"
    assert intake.outbox() == [patient, order]
    assert intake.triage() == []


def test_a_message_sent_again_is_recognised(line: tuple[Intake, int]) -> None:
    intake, port = line

    assert [code(ask(port, omg())) for _ in range(3)] == ["AA", "AA", "AA"]

    assert len(intake.facts()) == len(intake.outbox()) == 1


def test_a_control_id_used_anew_for_another_message_is_taken(line: tuple[Intake, int]) -> None:
    intake, port = line
    other = [text.replace("1001", "2002") for text in omg()]

    assert [code(ask(port, lines)) for lines in (omg(), other)] == ["AA", "AA"]

    assert len(intake.facts()) == 2


def test_an_unmapped_code_is_one_triage_entry_and_an_error_that_names_it(
    line: tuple[Intake, int],
) -> None:
    # given
    intake, port = line
    lines = [obr(code="NEW-CODE") if text.startswith("OBR") else text for text in omg()]

    # when: the sender tries twice, as senders do
    answers = [ask(port, lines), ask(port, lines)]

    # then
    assert [code(answer) for answer in answers] == ["AE", "AE"]
    error = read(answers[0]).one("ERR")
    assert [error.text(2, part) for part in (1, 2, 3, 4, 5)] == ["OBR", "1", "4", "1", "1"]
    assert (error.text(3), error.text(4)) == ("103", "E")
    assert "NEW-CODE" in error.text(8)
    (entry,) = intake.triage()
    assert (entry.origin, entry.field, entry.value) == ("hl7", "OBR-4.1", "'NEW-CODE'")
    assert "record_codes.yaml" in str(entry.expected)
    assert entry.body == joined(lines)
    assert intake.facts() == []


def test_once_the_code_is_mapped_the_same_message_is_taken(tmp_path: Path) -> None:
    lines = [obr(code="NEW-CODE") if text.startswith("OBR") else text for text in omg()]
    with listening(tmp_path) as (_, port):
        assert code(ask(port, lines)) == "AE"
    mended = {"enabled": True, "port": 0}
    write_codes(tmp_path, orders={"NEW-CODE": "dog-full-mouth"})

    with running_intake(tmp_path, group=record_group(), mllp=mended) as intake:
        server = next(loop for loop in intake.service.loops if loop.name == "mllp")
        port = server.run.__self__.port  # type: ignore[attr-defined]

        assert code(ask(port, lines)) == "AA"
        assert len(intake.facts()) == 1


def test_another_content_under_the_same_order_and_moment_is_put_to_a_person(
    line: tuple[Intake, int],
) -> None:
    intake, port = line
    other = [obr(code="INV-DENT-CAT") if text.startswith("OBR") else text for text in omg()]

    assert code(ask(port, omg())) == "AA"
    answer = ask(port, other)

    assert (code(answer), read(answer).one("ERR").text(3)) == ("AE", "205")
    assert len(intake.facts()) == len(intake.triage()) == 1


def test_an_order_cancelled_twice_with_other_words_stays_cancelled(
    line: tuple[Intake, int],
) -> None:
    intake, port = line
    for number, reason in enumerate(["declined", "owner called"]):
        lines = omg("CA", control_id=f"C-{number}")
        lines = [f"ORC|CA|1001{'|' * 14}^{reason}" if t.startswith("ORC") else t for t in lines]
        assert code(ask(port, lines)) == "AA"

    assert len(intake.facts("order_cancelled")) == 1


def test_an_unknown_sender_is_rejected_and_the_line_closed(line: tuple[Intake, int]) -> None:
    intake, port = line

    with MllpClient(port) as client:
        answer = client.ask(joined(adt(f3="STRANGER")))
        assert (code(answer), read(answer).one("ERR").text(2)) == ("AR", "MSH")
        assert client.receive() is None

    assert (intake.facts(), intake.triage()) == ([], [])


def test_an_address_of_no_sender_is_not_even_read(tmp_path: Path) -> None:
    with listening(tmp_path, {"addresses": ["192.0.2.0/24"]}) as (intake, port):
        with MllpClient(port) as client:
            assert client.receive() is None
        assert intake.facts() == []


def test_enhanced_mode_gets_a_commit_and_an_application_answer(line: tuple[Intake, int]) -> None:
    _, port = line

    with MllpClient(port) as client:
        client.send(joined(omg(f15="AL", f16="AL")))
        commit, application = read(client.receive()), read(client.receive())

    assert [one.one("MSA").text(1) for one in (commit, application)] == ["CA", "AA"]
    assert application.header.text(9) == "ORG"
    assert application.header.text(15) == "NE"


def test_an_acknowledgement_is_heard_and_not_answered(line: tuple[Intake, int]) -> None:
    _, port = line

    with MllpClient(port) as client:
        client.send(joined([header("ACK"), "MSA|AA|1"]))
        assert code(client.ask(joined(adt()))) == "AA"


def test_bytes_may_come_one_by_one_or_many_messages_at_once(line: tuple[Intake, int]) -> None:
    intake, port = line

    with MllpClient(port) as client:
        for byte in START + joined(adt(control_id="drip")) + END:
            client.socket.sendall(bytes([byte]))
        assert read(client.receive()).one("MSA").text(2) == "drip"
        bodies = [joined(omg(control_id=f"C-{number}")) for number in range(3)]
        client.socket.sendall(b"".join(START + body + END for body in bodies))
        ids = [read(client.receive()).one("MSA").text(2) for _ in bodies]

    assert ids == ["C-0", "C-1", "C-2"]
    assert len(intake.facts()) == 2


@pytest.mark.parametrize(
    "stream",
    [
        b"GET / HTTP/1.1\r\n" * 100,
        START + b"MSH" + START + b"MSH" + END,
        START + joined(adt()) + b"\x1cX",
        START + b"no message at all" + END,
    ],
    ids=["other protocol", "no end", "half an end", "no message"],
)
def test_what_is_no_mllp_closes_its_own_line_only(line: tuple[Intake, int], stream: bytes) -> None:
    intake, port = line
    with MllpClient(port) as other, MllpClient(port) as client:
        client.socket.sendall(stream)
        wait_until(lambda: client.receive() is None, 20, "the line to be closed")

        assert code(other.ask(joined(adt()))) == "AA"

    assert len(intake.facts()) == 1


def test_a_message_beyond_the_bound_is_rejected_before_it_is_all_there(tmp_path: Path) -> None:
    with listening(tmp_path, max_message_bytes=2_000) as (intake, port):
        with MllpClient(port) as client:
            client.socket.sendall(START + joined(adt()) + b"ZZZ|" + b"x" * 3_000)
            answer = client.receive()
            assert (code(answer), read(answer).one("MSA").text(2)) == ("AR", "INV-1")
            assert client.receive() is None
        assert intake.facts() == []


def test_more_connections_than_allowed_are_closed_and_room_is_made_again(tmp_path: Path) -> None:
    with listening(tmp_path, max_connections=2) as (_, port):
        with MllpClient(port) as first, MllpClient(port) as second:
            assert [code(one.ask(joined(adt()))) for one in (first, second)] == ["AA", "AA"]
            with MllpClient(port) as third:
                assert third.receive() is None
            assert code(first.ask(joined(adt()))) == "AA"

        def taken() -> bool:
            with MllpClient(port) as late:
                try:
                    return late.ask(joined(adt())) is not None
                except OSError:
                    return False

        wait_until(taken, 20, "a place to be free again")


def test_an_idle_line_and_a_dripping_one_are_closed(tmp_path: Path) -> None:
    with listening(tmp_path, idle_timeout_s=0.5) as (intake, port):
        with MllpClient(port) as idle, MllpClient(port) as dripping:

            def dropped() -> bool:
                try:
                    dripping.socket.sendall(b"x")
                except OSError:
                    return True
                return False

            dripping.socket.sendall(START + b"MSH|^~\\&|")
            assert idle.receive() is None
            wait_until(dropped, 20, "a block that never ends to be dropped")
        assert intake.facts() == []


def openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


def make_certificates(folder: Path) -> None:
    """A CA, and certificates of a server and a client that it has signed; all invented."""
    days = ("-days", "2")
    new_key = ("-newkey", "rsa:2048", "-nodes")
    subject = ("-subj", "/CN=invented-ca", "-keyout", "ca.key", "-out", "ca.pem")
    openssl(folder, "req", "-x509", *new_key, *days, *subject)
    for name in ("server", "client", "other"):
        subject = ("-subj", f"/CN=invented-{name}", "-keyout", f"{name}.key", "-out", f"{name}.csr")
        openssl(folder, "req", *new_key, *subject)
        signed_by = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial")
        openssl(
            folder, "x509", "-req", "-in", f"{name}.csr", *signed_by, *days, "-out", f"{name}.pem"
        )


def tls_client(folder: Path, port: int, name: str | None) -> MllpClient:
    context = ssl.create_default_context(cafile=str(folder / "ca.pem"))
    context.check_hostname = False
    if name is not None:
        context.load_cert_chain(folder / f"{name}.pem", folder / f"{name}.key")
    plain = socket.create_connection((HOST, port), timeout=30)
    return MllpClient(port, sock=context.wrap_socket(plain))


def test_over_tls_only_the_record_s_own_certificate_may_tell(tmp_path: Path) -> None:
    # given
    make_certificates(tmp_path)
    der = ssl.PEM_cert_to_DER_cert((tmp_path / "client.pem").read_text())
    device = {"certificate_sha256": hashlib.sha256(der).hexdigest()}
    tls = {
        "tls_certificate": str(tmp_path / "server.pem"),
        "tls_key": str(tmp_path / "server.key"),
        "tls_ca": str(tmp_path / "ca.pem"),
    }
    with (
        listening(tmp_path / "data", device, **tls) as (intake, port),
        # a peer that never shakes hands must hold up nobody
        socket.create_connection((HOST, port), timeout=30),
    ):
        # when, then
        with tls_client(tmp_path, port, "client") as client:
            assert code(client.ask(joined(adt()))) == "AA"
        with tls_client(tmp_path, port, "other") as client:
            assert code(client.ask(joined(omg()))) == "AR"
        with pytest.raises((ssl.SSLError, OSError)), tls_client(tmp_path, port, None) as client:  # noqa: PT012
            client.send(joined(omg()))
            if client.receive() is None:
                raise ConnectionResetError
        assert len(intake.facts()) == 1


def start(folder: Path, module: str, port: int) -> subprocess.Popen[bytes]:
    environment = {
        "PATH": os.environ["PATH"],
        "GOMPHOSIS_DATA_DIR": str(folder / "data"),
        "GOMPHOSIS_GROUP_DIR": str(folder / "group"),
        "GOMPHOSIS_INTAKE__DICOM_PORT": str(free_port()),
        "GOMPHOSIS_INTAKE__HTTP_PORT": str(free_port()),
        "GOMPHOSIS_INTAKE__MIN_FREE_BYTES": "0",
        "GOMPHOSIS_INTAKE__MLLP__ENABLED": "true",
        "GOMPHOSIS_INTAKE__MLLP__PORT": str(port),
        "GOMPHOSIS_HEALTH__PORT": str(free_port()),
    }
    with (folder / "log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", module, "start", "intake"],
            env=environment,
            cwd=ROOT,
            stdout=log,
            stderr=log,
        )
    wait_until(lambda: port_is_open(port), 60, f"intake to listen; see {folder / 'log'}")
    return process


def test_killed_between_commit_and_answer_it_recognises_the_message_sent_again(
    tmp_path: Path,
) -> None:
    # given: an intake that has committed and dies before it answers
    write_codes(tmp_path)
    (tmp_path / "group" / "group.yaml").write_text(yaml.safe_dump(record_group()))
    settings = Settings(data_dir=tmp_path / "data", group_dir=tmp_path / "group")
    store = Store(settings.store_url)
    migrate(store)
    port = free_port()
    process = start(tmp_path, "tests.record_inputs.intake_killed_before_answer", port)
    with MllpClient(port) as client:
        assert client.ask(joined(omg())) is None
    assert process.wait(60) == -signal.SIGKILL
    kept = select(FACT.c.id).where(FACT.c.kind == "order_placed")
    with store.read() as connection:
        first = connection.execute(kept).scalars().all()
    assert len(first) == 1

    # when: the sender, who had no answer, sends it again
    process = start(tmp_path, "services.runtime.cli.main", port)
    try:
        with MllpClient(port) as client:
            answer = client.ask(joined(omg()))
    finally:
        process.terminate()
        assert process.wait(60) == 0

    # then
    assert code(answer) == "AA"
    with store.read() as connection:
        assert connection.execute(kept).scalars().all() == first
    store.close()
