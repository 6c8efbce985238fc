"""What we owe to devices that listen with TLS: told to the right one, a process, or kept."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from copy import deepcopy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from schemas.envelope import Message, Source, new_id
from schemas.facts import StudyClosed
from schemas.messages import read_payload
from services.intake.accept import accept
from services.intake.dicom_tls import TlsSettingsError
from tests.certificates import Pki, sha256_of
from tests.dicom_station import Listener, ask_commitment, listening
from tests.intake_support import GROUP, HOST, INTRAORAL, Intake, make_image, running_intake, send
from tests.servers.polling import wait_until
from tests.servers.ports import free_port
from tests.system.test_commitment import asked, held


@pytest.fixture(scope="module")
def pki(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    return Pki(tmp_path_factory.mktemp("pki"))


def group_of(port: int, sha256: str | None = None) -> dict[str, Any]:
    """A record that listens with TLS; with a hash, it is known by that certificate."""
    group = deepcopy(GROUP)
    (record,) = [one for one in group["sites"][0]["devices"] if one["kind"] == "record"]
    record |= {"ae_title": "RECORD", "addresses": ["127.0.0.0/8"]}
    record["listens_at"] = {"host": HOST, "port": port, "tls": True}
    if sha256 is not None:
        record["certificate_sha256"] = sha256
    return group


@contextmanager
def intake_of(folder: Path, pki: Pki, group: dict[str, Any]) -> Iterator[Intake]:
    """Intake whose settings name our certificate and the CA, for calling alone."""
    certificate, key = pki.server
    with running_intake(
        folder,
        group=group,
        retrieve_ae_title="ARCHIVE",
        tls_certificate=certificate,
        tls_key=key,
        tls_ca=pki.ours.certificate,
    ) as running:
        yield running


def record_of(folder: Path, port: int, pki: Pki, own: tuple[Path, Path]) -> Listener:
    return Listener(folder, port, "RECORD", tls=[*own, pki.ours.certificate])


def close_a_study(intake: Intake) -> None:
    send(intake.dicom_port, make_image())
    now = datetime.now(UTC)
    told = json.loads(json.dumps(StudyClosed.EXAMPLES[0]))
    message = Message(
        id=new_id(),
        group="invented-group",
        site="north",
        occurred_at=now,
        received_at=now,
        source=Source(kind="person", name="vet-1"),
        correlation_id="test-1",
        payload=read_payload(StudyClosed.KIND, StudyClosed.VERSION, told),
    )
    with intake.runtime.store.begin() as connection:
        accept(connection, "intake", [message])


def test_a_notice_and_a_report_reach_their_listeners_over_tls(tmp_path: Path, pki: Pki) -> None:
    # given: the station is known by its certificate, the record by a name that is certified
    group = group_of(free_port())
    station_port = free_port()
    station = group["sites"][0]["devices"][1]
    station["listens_at"] = {"host": HOST, "port": station_port, "tls": True}
    other = group["sites"][0]["devices"][0]
    assert (station["ae_title"], other["ae_title"]) == ("STATION2", "STATION1")
    record = next(one for one in group["sites"][0]["devices"] if one["kind"] == "record")
    certificate = pki.ours.issue("record", HOST)
    callers = pki.ours.certificate
    with (
        listening(record_of(tmp_path, record["listens_at"]["port"], pki, certificate)) as hears,
        listening(
            Listener(tmp_path, station_port, "STATION2", tls=[*certificate, callers])
        ) as takes,
        intake_of(tmp_path / "data", pki, group) as intake,
    ):
        hears.start()
        takes.start()

        # when
        close_a_study(intake)
        (answer,) = ask_commitment(
            intake.dicom_port, asked((INTRAORAL, "2.25.70001")), calling="STATION2"
        )

        # then
        assert answer["status"] == 0x0000
        wait_until(hears.told, 30, "the notice")
        wait_until(takes.told, 30, "the report")
        (notice,), (report,) = hears.told(), takes.told()
    assert (notice["what"], notice["calling"]) == ("notice", "GOMPHOSIS")
    assert report["event_type"] == 1
    assert held(report["data"]) == ["2.25.70001"]


@pytest.mark.parametrize(
    ("shown", "is_listed", "reason"),
    [
        ("stranger", True, "certificate verify failed"),  # of another CA
        ("other", True, "certificate_sha256"),  # of the CA, and another device's
        ("other", False, "IP address mismatch"),  # of the CA, and names no host
    ],
)
def test_a_listener_with_a_wrong_certificate_is_told_nothing_until_it_shows_the_right_one(
    tmp_path: Path, pki: Pki, shown: str, is_listed: bool, reason: str
) -> None:
    # given
    right = pki.station if is_listed else pki.ours.issue("record", HOST)
    port = free_port()
    group = group_of(port, sha256_of(right[0]) if is_listed else None)
    impostor = record_of(tmp_path, port, pki, getattr(pki, shown))
    with capture_logs() as logs, intake_of(tmp_path / "data", pki, group) as intake:
        with listening(impostor):
            impostor.start()

            # when
            close_a_study(intake)
            wait_until(lambda: waits(logs), 30, "the notice to be put off")

            # then
            assert reason in waits(logs)[0]
            assert impostor.told() == []
        with listening(record_of(tmp_path, port, pki, right)) as record:
            record.start()
            wait_until(record.told, 60, "the notice, tried again")
            assert len(record.told()) == 1


def waits(logs: list[Any]) -> list[str]:
    return [line["reason"] for line in logs if line["event"] == "availability_waits"]


def test_intake_does_not_start_where_it_could_not_call_with_tls(tmp_path: Path) -> None:
    with (
        pytest.raises(TlsSettingsError, match=r"TLS_CERTIFICATE.*record-north listens with TLS"),
        running_intake(tmp_path / "data", group=group_of(free_port())),
    ):
        raise AssertionError("expected it not to start")
