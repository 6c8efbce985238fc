"""A stand-in FHIR R4 server that is polled, on real sockets, in a process of its own."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from services.intake.worklist_store import scheduled
from tests.intake_support import HOST
from tests.record_inputs.fhir_polling import a_day, kept, polling, stamp
from tests.record_inputs.fhir_resources import bundle, encounter, order, patient, weight
from tests.record_inputs.fhir_server_process import Server
from tests.servers.polling import wait_until


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    with Server(tmp_path / "record").running() as made:
        yield made


def test_patients_and_orders_are_read_over_several_pages(tmp_path: Path, server: Server) -> None:
    server.control(resources=a_day(7))

    with polling(tmp_path / "data", server, page_count=2) as intake:
        orders = kept(intake, "order_placed", 7)
        patients = kept(intake, "patient_described", 7)
        assert {one.order_id for one in orders} == {f"100s{number}" for number in range(7)}
        assert {one.patient.weight.value for one in patients} == {25.1}
        assert intake.triage() == []
        assert len(server.requests("ServiceRequest?")) >= 4


def test_only_what_is_new_is_read_after_a_restart(tmp_path: Path, server: Server) -> None:
    # given
    resources = a_day(3)
    server.control(resources=resources)
    with polling(tmp_path / "data", server) as intake:
        kept(intake, "order_placed", 3)
    before = len(server.requests("Observation?patient"))

    # when
    server.control(resources=[*resources, order("s9", stamp(500), identifier=None)])
    with polling(tmp_path / "data", server) as intake:
        orders = kept(intake, "order_placed", 4)

        # then
        assert orders[-1].order_id == "s9"
        assert len(intake.facts("patient_described")) == 3
    asked_after = server.requests("Observation?patient")[before:]
    assert {"patient=p1" in one["path"] for one in asked_after} == {True}
    since = [one["path"] for one in server.requests("ServiceRequest?")]
    assert "_lastUpdated=ge2026-11-02" in since[-1].replace("%3A", ":")


def test_a_changed_order_a_changed_weight_and_a_cancellation_follow(
    tmp_path: Path, server: Server
) -> None:
    # given
    animal, visit = patient(updated=stamp()), encounter()
    server.control(resources=[animal, visit, order(updated=stamp())])
    with polling(tmp_path / "data", server) as intake:
        (first,) = kept(intake, "order_placed", 1)

        # when the weight comes later, and the order itself changes only then
        weighed = weight(updated=stamp(10))
        changed = order(updated=stamp(20), code={"coding": [{"code": "INV-DENT-CAT"}]})
        server.control(resources=[animal, visit, weighed])
        described = kept(intake, "patient_described", 2)
        server.control(resources=[animal, visit, weighed, changed])
        _, second = kept(intake, "order_placed", 2)

        # then
        assert described[-1].patient.weight.value == 25.1
        assert second.revision > first.revision
        assert (first.plan, second.plan) == ("dog-full-mouth", "cat-full-mouth")
        assert second.study_instance_uid == first.study_instance_uid
        server.control(resources=[animal, visit, order(updated=stamp(30), status="revoked")])
        kept(intake, "order_cancelled", 1)
        with intake.runtime.store.read() as connection:
            assert scheduled(connection, "north") == []
        assert intake.triage() == []


@pytest.mark.parametrize(
    "fault",
    [
        {"status": 500},
        {"status": 429, "headers": {"Retry-After": "1"}},
        {"status": 503, "headers": {"Retry-After": "Mon, 02 Mar 2026 09:00:00 GMT"}},
        {"half": True},
        {"body": ["no resource"]},
        {"body": {"resourceType": "OperationOutcome"}},
        {"status": 302, "headers": {"Location": "http://192.0.2.1/"}},
    ],
    ids=["500", "429", "503 with a date", "half an answer", "no FHIR", "no Bundle", "redirect"],
)
def test_a_failing_server_only_delays(
    tmp_path: Path, server: Server, fault: dict[str, Any]
) -> None:
    server.control(resources=a_day(1), faults=[fault, fault])

    with polling(tmp_path / "data", server, longest_wait_s=0.5) as intake:
        kept(intake, "order_placed", 1)
        assert intake.triage() == []


@pytest.mark.parametrize("answers_before", range(1, 12, 2))
def test_a_round_that_breaks_off_anywhere_is_read_again_and_kept_once(
    tmp_path: Path, server: Server, answers_before: int
) -> None:
    # given: a round of some twelve questions, one page for each resource
    server.control(resources=a_day(2), faults=[{}] * answers_before + [{"half": True}])

    # when
    with polling(tmp_path / "data", server, page_count=1, longest_wait_s=0.2) as intake:
        kept(intake, "order_placed", 2)

        # then
        assert len(intake.facts()) == len(intake.outbox()) == 4
        assert intake.triage() == []


def test_a_server_that_asks_for_time_gets_it(tmp_path: Path, server: Server) -> None:
    # given: without obeying, the next question would come at once, not in hours
    server.control(resources=a_day(1), faults=[{"status": 429, "headers": {"Retry-After": "3000"}}])

    with polling(tmp_path / "data", server, poll_s=0.1, longest_wait_s=0.1) as intake:
        wait_until(lambda: len(server.requests()) == 1, 30, "the first question")
        poller = next(loop for loop in intake.service.loops if loop.name == "fhir")
        poller.run.__self__.wake()  # type: ignore[attr-defined]

        # then: one that waits asks nothing while others are answered
        for _ in range(60):
            httpx.post(f"http://{HOST}:{intake.http_port}/facts", timeout=30)
        assert len(server.requests()) == 1


def test_a_killed_and_restarted_server_is_asked_on(tmp_path: Path, server: Server) -> None:
    server.control(resources=a_day(2))
    with polling(tmp_path / "data", server, longest_wait_s=0.5) as intake:
        kept(intake, "order_placed", 2)

        server.kill()
        server.start()
        server.control(resources=[*a_day(2), order("s5", stamp(100))])

        assert kept(intake, "order_placed", 3)[-1].order_id == "100s5"


def test_an_unchanged_answer_is_not_sent_again(tmp_path: Path, server: Server) -> None:
    server.control(resources=a_day(1))

    with polling(tmp_path / "data", server):

        def asked_by_tag() -> bool:
            return any("If-None-Match" in one["headers"] for one in server.requests("Patient?"))

        wait_until(asked_by_tag, 30, "a question with the tag of the last answer")


def test_client_credentials_give_a_token_and_a_refused_one_is_renewed(
    tmp_path: Path, server: Server
) -> None:
    server.control(resources=a_day(1), token="nobody has this")
    credentials = {
        "token_url": f"{server.url}/token",
        "client_id": "invented-client",
        "client_secret": "invented-secret",
        "scope": "system/*.read",
    }
    with polling(tmp_path / "data", server, **credentials) as intake:
        kept(intake, "order_placed", 1)
        server.control(token="the old one is revoked", resources=a_day(2))

        kept(intake, "order_placed", 2)

    tokens = server.requests("/token")
    assert len(tokens) >= 2
    assert "grant_type=client_credentials" in tokens[0]["form"]
    assert tokens[0]["basic"].startswith("Basic ")


def test_a_next_link_to_another_host_is_not_followed_with_our_token(
    tmp_path: Path, server: Server
) -> None:
    # given: the stand-in's second answer leads to a second server
    other = Server(tmp_path / "other")
    other.start()
    leading_away = bundle(kind="searchset") | {
        "link": [{"relation": "next", "url": f"{other.url}/fhir/Patient"}]
    }
    server.control(resources=a_day(1), faults=[{"body": leading_away}])

    # when
    with polling(tmp_path / "data", server, token="secret", longest_wait_s=0.5) as intake:
        server.control(token="secret")
        kept(intake, "order_placed", 1)

    # then
    assert other.requests() == []
    other.kill()


def test_what_cannot_be_used_is_put_before_a_person_once_and_the_rest_goes_on(
    tmp_path: Path, server: Server
) -> None:
    # given
    animal = patient(updated=stamp())
    wrong = order("s1", stamp(1), code={"coding": [{"code": "NEW-CODE"}]})
    nowhere = order("s2", stamp(2), subject={"reference": "Patient/nobody"})
    timeless = order("s3", stamp(3), meta={"lastUpdated": stamp(3), "versionId": "7"}, intent=None)
    good = order("s4", stamp(4))
    server.control(resources=[animal, encounter(), wrong, nowhere, timeless, good])

    with polling(tmp_path / "data", server) as intake:
        # when: several rounds pass
        kept(intake, "order_placed", 1)
        rounds = len(server.requests("ServiceRequest?"))
        wait_until(
            lambda: len(server.requests("ServiceRequest?")) >= rounds + 3, 60, "further rounds"
        )

        # then
        entries = {entry.field: entry for entry in intake.triage()}
        assert set(entries) == {"ServiceRequest.code", "ServiceRequest.subject"}
        assert len(intake.triage()) == 2
        assert json.loads(bytes(entries["ServiceRequest.code"].body)) == wrong
        assert "record_codes.yaml" in str(entries["ServiceRequest.code"].expected)
