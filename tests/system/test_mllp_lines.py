"""Lines of MLLP: who may open one, what closes it, and how many there may be; with TLS too."""

from __future__ import annotations

import socket
import ssl
from pathlib import Path

import pytest

from tests.certificates import Authority, sha256_of
from tests.intake_support import HOST, Intake
from tests.record_inputs.hl7_texts import adt, joined, omg
from tests.record_inputs.mllp_client import END, START, MllpClient
from tests.record_inputs.mllp_listening import code, listening, read
from tests.servers.polling import wait_until


def test_an_unknown_sender_is_rejected_and_the_line_closed(mllp: tuple[Intake, int]) -> None:
    intake, port = mllp

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


def test_bytes_may_come_one_by_one_or_many_messages_at_once(mllp: tuple[Intake, int]) -> None:
    intake, port = mllp

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
def test_what_is_no_mllp_closes_its_own_line_only(mllp: tuple[Intake, int], stream: bytes) -> None:
    intake, port = mllp
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


def tls_client(authority: Authority, port: int, shown: tuple[Path, Path] | None) -> MllpClient:
    context = ssl.create_default_context(cafile=str(authority.certificate))
    context.check_hostname = False
    if shown is not None:
        context.load_cert_chain(*shown)
    plain = socket.create_connection((HOST, port), timeout=30)
    return MllpClient(port, sock=context.wrap_socket(plain))


def test_over_tls_only_the_record_s_own_certificate_may_tell(tmp_path: Path) -> None:
    # given
    authority = Authority(tmp_path / "keys", "authority")
    certificate, key = authority.issue("server")
    client_of_record, other = authority.issue("client"), authority.issue("other")
    device = {"certificate_sha256": sha256_of(client_of_record[0])}
    tls = {
        "tls_certificate": str(certificate),
        "tls_key": str(key),
        "tls_ca": str(authority.certificate),
    }
    with (
        listening(tmp_path / "data", device, **tls) as (intake, port),
        # a peer that never shakes hands must hold up nobody
        socket.create_connection((HOST, port), timeout=30),
    ):
        # when, then
        with tls_client(authority, port, client_of_record) as client:
            assert code(client.ask(joined(adt()))) == "AA"
        with tls_client(authority, port, other) as client:
            assert code(client.ask(joined(omg()))) == "AR"
        with pytest.raises((ssl.SSLError, OSError)), tls_client(authority, port, None) as client:  # noqa: PT012
            client.send(joined(omg()))
            if client.receive() is None:
                raise ConnectionResetError
        assert len(intake.facts()) == 1
