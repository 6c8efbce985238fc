"""Whoever is refused at a door stands in the audit: who, from where, what and why."""

from __future__ import annotations

import json
import os
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from pynetdicom import AE
from pynetdicom.sop_class import Verification

from schemas.facts import NoteSigned
from services.runtime import audit
from tests.certificates import Pki, sha256_of
from tests.intake_process import IntakeProcess
from tests.intake_support import HOST, TOKENS, Intake, association, rejection, running_intake
from tests.record_inputs.codes import record_group, write_codes
from tests.record_inputs.hl7_texts import joined, omg
from tests.record_inputs.mllp_client import MllpClient
from tests.servers.polling import wait_until

UNKNOWN_TOKEN = "invented-token-of-nobody"


@pytest.fixture(scope="module")
def pki(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    return Pki(tmp_path_factory.mktemp("pki"))


@pytest.fixture
def intake(tmp_path: Path, pki: Pki) -> Iterator[Intake]:
    """Every door open, DICOM and MLLP with TLS too; station-1 has a certificate.

    On SQLite: the table's own tests run on both databases.
    """
    write_codes(tmp_path / "data")
    group = record_group()
    group["sites"][0]["devices"][0]["certificate_sha256"] = sha256_of(pki.station[0])
    certificate, key = pki.server
    files: dict[str, Any] = {
        "tls_certificate": certificate,
        "tls_key": key,
        "tls_ca": pki.ours.certificate,
    }
    with running_intake(
        tmp_path / "data",
        group=group,
        tls_port=0,
        mllp={"enabled": True, "port": 0} | files,
        **files,
    ) as running:
        yield running


def port_of(intake: Intake, loop_name: str, attribute: str = "port") -> int:
    (loop,) = (loop for loop in intake.service.loops if loop.name == loop_name)
    port: int = getattr(loop.run.__self__, attribute)  # type: ignore[attr-defined]
    return port


def audited(intake: Intake, rows: int = 1) -> list[dict[str, Any]]:
    """Wait for so many rows and give them."""

    def found() -> list[dict[str, Any]]:
        with intake.runtime.store.read() as connection:
            return [dict(row._mapping) for row in audit.entries(connection)]

    wait_until(lambda: len(found()) >= rows, 20, f"{rows} audited refusals")
    return found()


def context(pki: Pki, own: tuple[Path, Path] | None) -> ssl.SSLContext:
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    made.check_hostname = False
    made.load_verify_locations(str(pki.ours.certificate))
    if own is not None:
        made.load_cert_chain(str(own[0]), str(own[1]))
    return made


@pytest.mark.parametrize(
    ("calling", "called", "site", "reason"),
    [
        ("STRANGER", "GOMPHOSIS", "north", "calling AE title: expected that of a device of north"),
        ("STATION1", "NOWHERE", None, "called AE title: expected that of a site"),
        ("STATION2", "GOMPH_SOUTH", "south", "calling AE title: expected that of a device"),
        ("FAR", "GOMPHOSIS", "north", "address: expected one of station-far"),
        ("STATION1", "GOMPHOSIS", "north", "TLS: expected station-1 with its certificate"),
    ],
)
def test_a_refused_association_is_audited_with_its_titles_and_the_true_reason(
    intake: Intake, calling: str, called: str, site: str | None, reason: str
) -> None:
    with association(intake.dicom_port, Verification, calling=calling, called=called) as peer:
        assert rejection(peer)

    (row,) = audited(intake)

    assert (row["door"], row["refused"]) == ("dicom", "association")
    assert (row["calling"], row["called"], row["site"]) == (calling, called, site)
    assert (row["address"], row["certificate_sha256"], row["holder"]) == (HOST, None, None)
    assert row["reason"].startswith(reason)
    assert row["first_at"] == row["last_at"]


def test_another_devices_certificate_is_audited_with_its_hash(intake: Intake, pki: Pki) -> None:
    entity = AE(ae_title="STATION1")
    entity.add_requested_context(Verification)
    tls = (context(pki, pki.other), "intake")
    port = port_of(intake, "dicom", "tls_port")
    assert rejection(entity.associate(HOST, port, ae_title="GOMPHOSIS", tls_args=tls))

    (row,) = audited(intake)

    assert (row["door"], row["refused"], row["site"]) == ("dicom-tls", "association", "north")
    assert row["certificate_sha256"] == sha256_of(pki.other[0])
    assert row["reason"] == "certificate: expected that of station-1"


@pytest.mark.parametrize("door", ["dicom-tls", "mllp"])
@pytest.mark.parametrize("who", ["stranger", None])
def test_a_handshake_with_a_foreign_certificate_or_none_is_audited(
    intake: Intake, pki: Pki, door: str, who: str | None
) -> None:
    port = port_of(intake, "mllp") if door == "mllp" else port_of(intake, "dicom", "tls_port")
    own = getattr(pki, who) if who else None
    assert shake_hands(port, context(pki, own)) is None

    (row,) = audited(intake)

    assert (row["door"], row["refused"], row["address"]) == (door, "tls handshake", HOST)
    assert "TLS" in row["reason"]


def shake_hands(port: int, own: ssl.SSLContext) -> bytes | None:
    """Shake hands and wait for the other side's first byte; None where it breaks off.

    TLS 1.3 tells a client what became of its certificate only after the handshake.
    """
    try:
        with (
            socket.create_connection((HOST, port), timeout=30) as plain,
            own.wrap_socket(plain) as secured,
        ):
            return secured.recv(1) or None
    except (ssl.SSLError, ConnectionError):
        return None


def test_a_bare_probe_of_a_tls_port_is_no_refusal(intake: Intake, pki: Pki) -> None:
    port = port_of(intake, "dicom", "tls_port")
    for _ in range(3):
        socket.create_connection((HOST, port), timeout=30).close()
    post(intake, None)  # audited after them

    (row,) = audited(intake)

    assert row["door"] == "http"


def post(intake: Intake, token: str | None, path: str = "/facts", body: Any = None) -> int:
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}
    url = f"http://{HOST}:{intake.http_port}{path}"
    return httpx.post(url, content=json.dumps(body), headers=headers, timeout=30).status_code


@pytest.mark.parametrize("path", ["/facts", "/fhir/notify"])
def test_a_wrong_token_and_none_are_audited_and_the_token_is_not(intake: Intake, path: str) -> None:
    assert [post(intake, token, path) for token in (UNKNOWN_TOKEN, None)] == [401, 401]

    rows = audited(intake, 2)

    assert {row["reason"] for row in rows} == {
        "token: expected one of this group",
        "token: expected one, found none",
    }
    for row in rows:
        assert (row["door"], row["refused"], row["holder"]) == ("http", "request", None)
        assert UNKNOWN_TOKEN not in str(row)


def test_a_fact_that_its_holder_may_not_tell_is_audited_without_what_it_says(
    intake: Intake,
) -> None:
    payload = NoteSigned.EXAMPLES[0] | {"signer": "Invented Owner"}
    offer = {"kind": "note_signed", "occurred_at": "2026-03-02T09:00:00Z", "payload": payload}
    assert post(intake, TOKENS["vet-1"], body=offer) == 403
    assert post(intake, TOKENS["tablet-1"], path="/fhir/notify") == 403

    of_fact, of_notification = audited(intake, 2)

    assert (of_fact["refused"], of_fact["holder"]) == ("fact note_signed", "vet-1")
    assert (of_fact["site"], of_fact["address"]) == ("north", HOST)
    assert of_fact["reason"] == "payload.signer: expected vet-1, who holds the token"
    assert (of_notification["refused"], of_notification["holder"]) == ("notification", "tablet-1")
    assert "Owner" not in str((of_fact, of_notification))


def test_a_sender_that_is_not_listed_is_audited(intake: Intake, pki: Pki) -> None:
    port = port_of(intake, "mllp")
    plain = socket.create_connection((HOST, port), timeout=30)
    with MllpClient(port, sock=context(pki, pki.station).wrap_socket(plain)) as client:
        client.ask(joined([line.replace("INVREC", "FOREIGN") for line in omg()]))

    (row,) = audited(intake)

    assert (row["door"], row["refused"], row["calling"]) == ("mllp", "message", "FOREIGN^NORTH")
    assert row["certificate_sha256"] == sha256_of(pki.station[0])
    assert "a sender of this group" in row["reason"]


def test_an_address_that_no_sender_has_is_audited(tmp_path: Path) -> None:
    write_codes(tmp_path)
    far = record_group(addresses=["192.0.2.0/24"])
    with running_intake(tmp_path, group=far, mllp={"enabled": True, "port": 0}) as intake:
        with MllpClient(port_of(intake, "mllp")) as client:
            assert client.receive() is None

        (row,) = audited(intake)

    assert (row["door"], row["refused"], row["address"]) == ("mllp", "connection", HOST)


def test_an_attack_leaves_few_rows_and_every_attempt_is_counted(tmp_path: Path) -> None:
    attempts = 60
    with running_intake(tmp_path / "data") as intake:
        for number in range(attempts):
            calling = f"STRANGER{number % 20}"
            with association(intake.dicom_port, Verification, calling=calling) as peer:
                assert rejection(peer)
        audited(intake)
        intake.runtime.audit.finish()
        rows = audited(intake)

    assert sum(row["attempts"] for row in rows) == attempts
    assert len(rows) <= 20


@pytest.mark.drill
def test_what_further_listener_processes_refuse_is_audited_too(tmp_path: Path) -> None:
    # given
    process = IntakeProcess(tmp_path, GOMPHOSIS_INTAKE__DICOM_PROCESSES="2")
    process.start()
    try:
        # when
        for number in range(12):
            with association(process.dicom_port, Verification, calling=f"STRANGER{number}") as peer:
                assert rejection(peer)
        assert process.end(signal.SIGTERM) == 0
    finally:
        process.close()

    # then: all that was counted is written at the end
    rows = json.loads(run_command(process, "audit", "--json"))
    assert sum(row["attempts"] for row in rows) == 12
    an_hour_ago = (datetime.now(UTC) - timedelta(hours=1)).isoformat()
    assert "association" in run_command(process, "audit", "--since", an_hour_ago)


def run_command(process: IntakeProcess, *words: str) -> str:
    """Run ``gomphosis`` as an admin does, beside the same store."""
    environment = {
        "PATH": os.environ["PATH"],
        "COLUMNS": "200",
        "GOMPHOSIS_DATA_DIR": str(process.settings.data_dir),
        "GOMPHOSIS_GROUP_DIR": str(process.settings.group_dir),
    }
    command = [sys.executable, "-m", "services.runtime.cli.main", *words]
    run = subprocess.run(
        command,
        env=environment,
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return run.stdout
