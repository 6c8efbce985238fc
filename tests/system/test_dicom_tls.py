"""DICOM over TLS: who has the right certificate is let in, and nobody else, and nobody waits."""

from __future__ import annotations

import socket
import ssl
import subprocess
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from pynetdicom import AE
from pynetdicom.sop_class import Verification
from structlog.testing import capture_logs

from services.intake.dicom_tls import TlsSettingsError, tls_context
from tests.certificates import Pki, sha256_of
from tests.intake_support import (
    GROUP,
    HOST,
    Intake,
    make_image,
    rejection,
    running_intake,
    send,
    write_file,
)
from tests.servers.dcmtk import Dcmtk
from tests.servers.polling import wait_until


@pytest.fixture(scope="module")
def pki(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    return Pki(tmp_path_factory.mktemp("pki"))


@pytest.fixture
def intake(tmp_path: Path, pki: Pki) -> Iterator[Intake]:
    """Intake with TLS; station-1 has a certificate, station-2 has none."""
    north, south = GROUP["sites"]
    first, *others = north["devices"]
    first = first | {"certificate_sha256": sha256_of(pki.station[0])}
    group = GROUP | {"sites": [north | {"devices": [first, *others]}, south]}
    certificate, key = pki.server
    with running_intake(
        tmp_path / "data",
        group=group,
        tls_port=0,
        tls_certificate=certificate,
        tls_key=key,
        tls_ca=pki.ours.certificate,
        associate_timeout_s=2.0,
    ) as running:
        yield running


def tls_port(intake: Intake) -> int:
    (loop,) = (loop for loop in intake.service.loops if loop.name == "dicom")
    port: int = loop.run.__self__.tls_port  # type: ignore[attr-defined]
    return port


def echo(
    port: int, pki: Pki, own: tuple[Path, Path] | None, calling: str = "STATION1"
) -> str | None:
    """Associate over TLS and echo; give what came of it: answered, rejected, or None."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.load_verify_locations(str(pki.ours.certificate))
    if own is not None:
        context.load_cert_chain(str(own[0]), str(own[1]))
    entity = AE(ae_title=calling)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 30
    entity.add_requested_context(Verification)
    peer = entity.associate(HOST, port, ae_title="GOMPHOSIS", tls_args=(context, "intake"))
    if rejection(peer):
        return "rejected"
    if not peer.is_established:
        return None
    assert peer.send_c_echo().Status == 0x0000
    peer.release()
    return "answered"


def store_over_tls(
    dcmtk: Dcmtk, intake: Intake, pki: Pki, files: Sequence[Path]
) -> subprocess.CompletedProcess[str]:
    certificate, key = pki.station
    arguments: list[str | Path] = ["+tls", key, certificate, "+cf", pki.ours.certificate]
    arguments += ["--max-pdu", "131072", "-aet", "STATION1", "-aec", "GOMPHOSIS"]
    return dcmtk.run("storescu", [*arguments, HOST, str(tls_port(intake)), *files])


def test_dcmtk_stores_over_tls_with_its_certificate(
    intake: Intake, pki: Pki, dcmtk: Dcmtk, tmp_path: Path
) -> None:
    # given
    files = [write_file(make_image(number), tmp_path / f"{number}.dcm") for number in range(1, 4)]

    # when
    sent = store_over_tls(dcmtk, intake, pki, files)

    # then
    assert sent.returncode == 0, sent.stdout
    assert len(intake.facts("image_stored")) == len(files)


def test_a_large_image_over_tls_is_kept_as_it_was(
    intake: Intake, pki: Pki, dcmtk: Dcmtk, tmp_path: Path
) -> None:
    # given: many TLS records, which end elsewhere than PDUs do
    pixels = bytes(range(256)) * 8_192
    image = make_image(Rows=1024, Columns=1024, PixelData=pixels)
    file = write_file(image, tmp_path / "large.dcm")

    # when
    sent = store_over_tls(dcmtk, intake, pki, [file])

    # then
    assert sent.returncode == 0, sent.stdout
    (fact,) = intake.facts("image_stored")
    path = intake.images / fact.payload.path  # type: ignore[attr-defined]
    assert path.read_bytes().endswith(pixels)


@pytest.mark.parametrize(
    ("who", "calling"),
    [
        ("other", "STATION1"),  # the certificate of another station
        ("station", "STATION2"),  # a device that has no certificate in the group
        ("other", "STATION2"),
    ],
)
def test_a_certificate_that_is_not_the_devices_own_is_rejected_and_audited(
    intake: Intake, pki: Pki, who: str, calling: str
) -> None:
    with capture_logs() as logs:
        # when
        outcome = echo(tls_port(intake), pki, getattr(pki, who), calling)

        # then
        assert outcome == "rejected"
    (line,) = [line for line in logs if line["event"] == "association_rejected"]
    assert line["audit"] is True
    assert line["calling_ae_title"] == calling
    assert line["certificate_sha256"] == sha256_of(getattr(pki, who)[0])
    assert echo(tls_port(intake), pki, pki.station) == "answered"


@pytest.mark.parametrize("who", ["stranger", None])
def test_no_certificate_or_one_of_a_foreign_authority_is_refused_and_audited(
    intake: Intake, pki: Pki, who: str | None
) -> None:
    with capture_logs() as logs:
        assert echo(tls_port(intake), pki, getattr(pki, who) if who else None) is None
        wait_until(lambda: refused(logs), 20, "the refusal to be logged")
    (line,) = refused(logs)
    assert line["audit"] is True
    assert line["address"] == HOST
    assert "TLS" in line["reason"]
    assert echo(tls_port(intake), pki, pki.station) == "answered"


def refused(logs: list[Any]) -> list[Any]:
    return [line for line in logs if line["event"] == "connection_refused"]


def test_a_device_with_a_certificate_is_rejected_where_it_shows_none(intake: Intake) -> None:
    entity = AE(ae_title="STATION1")
    entity.add_requested_context(Verification)
    assert rejection(entity.associate(HOST, intake.dicom_port, ae_title="GOMPHOSIS"))
    assert send(intake.dicom_port, make_image(), calling="STATION2").Status == 0x0000


def test_old_versions_of_tls_are_refused(intake: Intake, pki: Pki) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.load_verify_locations(str(pki.ours.certificate))
    context.load_cert_chain(str(pki.station[0]), str(pki.station[1]))
    context.set_ciphers("ALL:@SECLEVEL=0")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # old versions are meant here
        context.minimum_version = ssl.TLSVersion.TLSv1_1
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    with (
        socket.create_connection((HOST, tls_port(intake)), timeout=30) as connection,
        pytest.raises((ssl.SSLError, ConnectionError)),
    ):
        context.wrap_socket(connection)


def test_peers_that_stall_in_the_handshake_hold_up_nobody_and_are_let_go(
    intake: Intake, pki: Pki
) -> None:
    # given: some say nothing, some half a ClientHello
    stalled = [socket.create_connection((HOST, tls_port(intake)), timeout=60) for _ in range(12)]
    for one in stalled[::2]:
        one.sendall(b"\x16\x03\x01\x02\x00\x01\x00")

    # when, then
    assert echo(tls_port(intake), pki, pki.station) == "answered"
    for one in stalled:
        with one:
            assert ended(one)


def ended(connection: socket.socket) -> bool:
    """Read until the other side ends the connection; TLS may send an alert before."""
    try:
        while connection.recv(1000):
            continue
    except ConnectionResetError:
        return True
    return True


def test_settings_of_tls_that_cannot_be_used_are_named(pki: Pki, tmp_path: Path) -> None:
    certificate, key = pki.server
    ca = pki.ours.certificate
    with pytest.raises(TlsSettingsError, match="GOMPHOSIS_INTAKE__TLS_CA"):
        tls_context(certificate, key, None)
    with pytest.raises(TlsSettingsError, match="GOMPHOSIS_INTAKE__TLS_KEY"):
        tls_context(certificate, tmp_path / "none.pem", ca)
    with pytest.raises(TlsSettingsError, match="expected PEM files"):
        tls_context(certificate, pki.station[1], ca)
