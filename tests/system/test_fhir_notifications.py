"""The door for FHIR subscriptions, on real sockets, with a stand-in server to ask back."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from schemas.facts import OrderPlaced, PatientDescribed
from tests.intake_support import HOST, TOKENS, Intake
from tests.record_inputs.fhir_polling import NEVER_S, a_day, kept, polling
from tests.record_inputs.fhir_resources import Json, bundle, encounter, order, patient, weight
from tests.record_inputs.fhir_server_process import Server
from tests.servers.polling import wait_until


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    with Server(tmp_path / "record").running() as made:
        yield made


def notify(
    intake: Intake, body: Json | bytes | None, holder: str = "record-north", path: str = ""
) -> httpx.Response:
    content = b"" if body is None else body if isinstance(body, bytes) else json.dumps(body)
    url = f"http://{HOST}:{intake.http_port}/fhir/notify{path}"
    headers = {"Authorization": f"Bearer {TOKENS.get(holder, holder)}"}
    return httpx.request(
        "PUT" if path else "POST", url, content=content, headers=headers, timeout=30
    )


def test_an_empty_notification_means_ask_now(tmp_path: Path, server: Server) -> None:
    with polling(tmp_path / "data", server, poll_s=NEVER_S) as intake:
        wait_until(lambda: server.requests("ServiceRequest?"), 30, "the first round")
        server.control(resources=a_day(1))

        assert notify(intake, None).status_code == 200

        kept(intake, "order_placed", 1)


def test_a_notification_may_bring_its_resources(tmp_path: Path) -> None:
    with polling(tmp_path / "data", None) as intake:
        answer = notify(intake, bundle(order(), patient(), encounter(), weight()))

        assert answer.status_code == 200, answer.text
        placed = [one.payload for one in intake.facts() if isinstance(one.payload, OrderPlaced)]
        described = [
            one.payload for one in intake.facts() if isinstance(one.payload, PatientDescribed)
        ]
        assert (len(placed), len(described)) == (1, 1)
        again = notify(intake, bundle(order(), patient(), encounter(), weight()))
        assert again.status_code == 200
        assert len(intake.facts()) == len(intake.outbox()) == 2


def test_a_notification_sent_as_an_update_looks_up_what_it_refers_to(
    tmp_path: Path, server: Server
) -> None:
    server.control(resources=[patient(), encounter(), weight()])
    with polling(tmp_path / "data", server, poll_s=NEVER_S, first_look_back_s=0) as intake:
        assert notify(intake, order(), path="/ServiceRequest/s1").status_code == 200

        (placed,) = kept(intake, "order_placed", 1)
        assert placed.patient.weight.value == 25.1


def test_a_notification_while_the_record_is_down_is_to_be_sent_again(
    tmp_path: Path, server: Server
) -> None:
    with polling(tmp_path / "data", server, poll_s=NEVER_S) as intake:
        wait_until(lambda: server.requests("ServiceRequest?"), 30, "the first round")
        server.kill()

        answer = notify(intake, order())

        assert (answer.status_code, answer.headers["Retry-After"]) == (503, "5")
        assert (intake.facts(), intake.triage()) == ([], [])


@pytest.mark.parametrize(
    ("body", "status", "path", "kept_for_triage"),
    [
        (b"{not json", 400, "Resource", 1),
        (b"[]", 400, "Resource.resourceType", 1),
        (order(), 422, "ServiceRequest.subject", 1),
        (bundle(patient(gender="bright")), 422, "Patient.gender", 1),
        (bundle(patient(name=None)), 422, "Patient.name", 1),
        (bundle(patient(name=[{"text": "A\x00B"}])), 422, "Resource", 1),
        (bundle(patient(meta=None)), 422, "Patient.meta.lastUpdated", 1),
        (bundle(patient(identifier=[])), 422, "Patient.identifier", 1),
        (b"x" * 2_000_000, 413, "Resource", 0),
    ],
)
def test_a_bad_notification_is_refused_by_its_fhir_path(
    tmp_path: Path, body: Json | bytes, status: int, path: str, kept_for_triage: int
) -> None:
    with polling(tmp_path / "data", None) as intake:
        answer = notify(intake, body)

        assert answer.status_code == status
        outcome = answer.json()
        assert outcome["resourceType"] == "OperationOutcome"
        assert outcome["issue"][0]["expression"] == [path]
        assert intake.facts() == []
        assert [entry.field for entry in intake.triage()] == [path] * kept_for_triage


@pytest.mark.parametrize(
    ("holder", "status"), [("wrong token", 401), ("generator-1", 403), ("vet-1", 403)]
)
def test_only_a_record_may_notify(tmp_path: Path, holder: str, status: int) -> None:
    with polling(tmp_path / "data", None) as intake:
        assert notify(intake, bundle(patient()), holder).status_code == status
        assert (intake.facts(), intake.triage()) == ([], [])
