"""The doors for patient records open as the settings say, or say which setting is wrong."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import pytest

from schemas.errors import GomphosisError
from tests.intake_support import HOST, running_intake
from tests.record_inputs.codes import record_group, write_codes

FHIR = {"base_url": "https://192.0.2.1/fhir", "site": "north", "device": "record-north"}


def names(folder: Path, **intake: Any) -> set[str]:
    with running_intake(folder, group=record_group(), **intake) as running:
        return {loop.name for loop in running.service.loops}


def test_both_are_off_until_they_are_asked_for(tmp_path: Path) -> None:
    assert {"mllp", "fhir"}.isdisjoint(names(tmp_path))


def test_mllp_opens_where_it_is_enabled(tmp_path: Path) -> None:
    write_codes(tmp_path)

    assert "mllp" in names(tmp_path, mllp={"enabled": True, "port": 0})


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"fhir": FHIR | {"device": "station-1"}}, "FHIR__SITE and __DEVICE"),
        ({"fhir": FHIR | {"base_url": "ftp://192.0.2.1"}}, "FHIR__BASE_URL"),
        ({"fhir": FHIR | {"ca_file": "/no/such/file"}}, "FHIR__CA_FILE"),
        ({"mllp": {"enabled": True, "port": 0, "tls_key": "/no/such/key"}}, "TLS_CERTIFICATE"),
        (
            {"mllp": {"enabled": True, "port": 0, "tls_key": "/no/key", "tls_certificate": "/no"}},
            "TLS_CERTIFICATE",
        ),
    ],
    ids=["no record", "no address", "no CA", "half of TLS", "no certificate"],
)
def test_a_wrong_setting_stops_the_start_by_its_name(
    tmp_path: Path, options: dict[str, Any], words: str
) -> None:
    write_codes(tmp_path)

    with pytest.raises(GomphosisError, match=words):
        names(tmp_path, **options)


def test_mllp_without_a_sender_stops_the_start(tmp_path: Path) -> None:
    write_codes(tmp_path, senders=[])

    with pytest.raises(GomphosisError, match="senders"):
        names(tmp_path, mllp={"enabled": True, "port": 0})


def test_a_table_that_names_an_unknown_plan_stops_the_start(tmp_path: Path) -> None:
    write_codes(tmp_path, orders={"A": "no-such-plan"})

    with pytest.raises(GomphosisError, match=r"record_codes\.yaml: orders\.A"):
        names(tmp_path)


def test_a_port_that_is_taken_stops_the_start_and_lets_go_of_the_others(tmp_path: Path) -> None:
    write_codes(tmp_path)
    with socket.socket() as holder:
        holder.bind((HOST, 0))
        holder.listen()
        taken = holder.getsockname()[1]

        with pytest.raises(GomphosisError, match="MLLP__PORT"):
            names(tmp_path, mllp={"enabled": True, "port": taken})

    assert "mllp" in names(tmp_path, mllp={"enabled": True, "port": taken})
