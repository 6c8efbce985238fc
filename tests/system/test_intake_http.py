"""The HTTP door over a real socket: tokens, permissions, an answer to each fact."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from schemas.facts import (
    ClockRead,
    ExposureEnded,
    NoteAddended,
    NoteSigned,
    OrderCancelled,
    OrderPlaced,
    PatientDescribed,
    ViewExcused,
)
from schemas.messages import parse
from services.intake.worklist_store import scheduled
from services.runtime import triage
from tests.intake_support import TOKENS, Intake, running_intake
from tests.servers.polling import wait_until

AT = "2026-03-02T10:20:00+01:00"


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


def offer(kind: Any, occurred_at: str = AT, **changes: Any) -> dict[str, Any]:
    return {
        "kind": kind.KIND,
        "occurred_at": occurred_at,
        "payload": kind.EXAMPLES[0] | changes,
    }


def post(
    intake: Intake, body: Any, holder: str = "generator-1", shown: str | None = None
) -> httpx.Response:
    signing = {} if shown is None else {"Signing-Authorization": f"Bearer {shown}"}
    return httpx.post(
        intake.facts_url,
        content=body if isinstance(body, bytes) else json.dumps(body).encode(),
        headers={"Authorization": f"Bearer {TOKENS[holder]}"} | signing,
        timeout=30,
    )


def test_an_exposure_is_kept_with_site_and_source_of_its_token(intake: Intake) -> None:
    # when
    answer = post(intake, [offer(ExposureEnded)])

    # then
    assert answer.status_code == 200
    (fact,) = intake.facts()
    assert answer.json() == [{"natural_key": fact.natural_key, "outcome": "accepted"}]
    assert (fact.site, fact.source.kind, fact.source.name) == ("north", "device", "generator-1")
    assert (fact.occurred_at.hour, fact.source_clock) == (9, AT)
    assert intake.outbox() == [fact]


def test_the_record_describes_an_animal_anew(intake: Intake) -> None:
    # when
    answer = post(intake, [offer(PatientDescribed)], "record-north")
    refused = post(intake, [offer(PatientDescribed)], "tablet-1")

    # then
    assert (answer.status_code, refused.status_code) == (200, 403)
    (fact,) = intake.facts()
    assert (fact.kind, fact.source.kind) == ("patient_described", "record")


def test_one_object_instead_of_an_array_is_taken_too(intake: Intake) -> None:
    assert post(intake, offer(ExposureEnded)).status_code == 200


def test_a_fact_sent_again_is_already_known(intake: Intake) -> None:
    # given
    post(intake, [offer(ExposureEnded)])

    # when
    answer = post(intake, [offer(ExposureEnded)])

    # then
    assert answer.status_code == 200
    assert answer.json()[0]["outcome"] == "already_known"
    assert len(intake.facts()) == len(intake.outbox()) == 1


def test_an_older_version_is_brought_up_to_date(intake: Intake) -> None:
    # given: version 1 told seconds
    payload = {
        name: value
        for name, value in ExposureEnded.EXAMPLES[0].items()
        if name not in {"exposure_ms", "set_exposure_ms"}
    } | {"exposure_s": 0.12}
    body = {"kind": "exposure_ended", "schema_version": 1, "occurred_at": AT, "payload": payload}

    # when
    answer = post(intake, body)

    # then
    assert answer.status_code == 200
    (fact,) = intake.facts()
    assert isinstance(fact.payload, ExposureEnded)
    assert fact.payload.exposure_ms == 120.0


def test_an_order_is_on_the_worklist_once_it_is_answered(intake: Intake) -> None:
    assert post(intake, [offer(OrderPlaced)], "record-north").status_code == 200
    with intake.runtime.store.read() as connection:
        assert [order.order_id for order in scheduled(connection, "north")] == ["1001"]

    assert post(intake, [offer(OrderCancelled)], "record-north").status_code == 200
    with intake.runtime.store.read() as connection:
        assert scheduled(connection, "north") == []


@pytest.mark.parametrize(
    "headers",
    [{}, {"Authorization": "Bearer wrong"}, {"Authorization": "Basic abc"}, {"Authorization": ""}],
)
def test_without_a_token_of_the_group_nothing_is_taken(
    intake: Intake, headers: dict[str, str]
) -> None:
    answer = httpx.post(intake.facts_url, json=[offer(ExposureEnded)], headers=headers)

    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"] == "Bearer"
    assert intake.facts() == []


def test_a_device_that_tells_what_is_not_its_own_is_refused_and_nothing_is_kept(
    intake: Intake,
) -> None:
    # when
    answer = post(intake, [offer(OrderPlaced), offer(ExposureEnded, generator="generator-2")])

    # then
    assert answer.status_code == 403
    assert [one["field"] for one in answer.json()] == ["kind", "payload.generator"]
    assert intake.facts() == []
    assert intake.triage() == [], "a replay must not make a fact of it"


def test_a_site_in_the_body_is_refused_and_never_believed(intake: Intake) -> None:
    answer = post(intake, [offer(ExposureEnded) | {"site": "south"}])

    assert answer.status_code == 207
    assert answer.json()[0]["field"] == "site"
    assert intake.facts() == []


@pytest.mark.parametrize(
    ("holder", "signer", "status"),
    [("vet-1", "vet-1", 200), ("vet-1", "vet-2", 403), ("tech-1", "tech-1", 403)],
)
def test_only_a_vet_signs_and_only_by_their_own_name(
    intake: Intake, holder: str, signer: str, status: int
) -> None:
    answer = post(intake, [offer(NoteSigned, signer=signer)], holder, shown=TOKENS[holder])

    assert answer.status_code == status


def test_a_signature_carries_when_its_signer_proved_who_they_are_by_our_own_clock(
    intake: Intake,
) -> None:
    before = datetime.now(UTC)

    answer = post(intake, [offer(NoteSigned)], "vet-1", shown=TOKENS["vet-1"])

    assert answer.status_code == 200
    (fact,) = intake.facts()
    assert isinstance(fact.payload, NoteSigned)
    assert fact.payload.reauthenticated_at == fact.received_at
    assert before <= fact.received_at <= datetime.now(UTC)
    assert TOKENS["vet-1"] not in fact.encode().decode()


@pytest.mark.parametrize("kind", [NoteSigned, NoteAddended])
@pytest.mark.parametrize(
    ("shown", "field"),
    [
        (None, "Signing-Authorization"),
        (TOKENS["tech-1"], "Signing-Authorization"),
        ("invented-token-wrong", "Signing-Authorization"),
    ],
)
def test_without_the_signers_own_secret_nothing_is_signed_and_nothing_is_kept(
    intake: Intake, kind: Any, shown: str | None, field: str
) -> None:
    answer = post(intake, [offer(kind)], "vet-1", shown=shown)

    assert answer.status_code == 403
    assert answer.json()[0]["field"] == field
    assert intake.facts() == []
    assert intake.triage() == [], "a replay must not make a signature of it"
    assert not shown or shown not in answer.text


def test_no_sender_tells_when_it_proved_who_it_is(intake: Intake) -> None:
    told = offer(NoteSigned, reauthenticated_at=AT)

    answer = post(intake, [told], "vet-1", shown=TOKENS["vet-1"])

    assert answer.status_code == 403
    assert answer.json()[0]["field"] == "payload.reauthenticated_at"
    assert intake.facts() == []


def test_two_notes_are_not_signed_at_one_stroke(intake: Intake) -> None:
    body = [offer(NoteSigned), offer(NoteSigned, study_instance_uid="2.25.1002")]

    answer = post(intake, body, "vet-1", shown=TOKENS["vet-1"])

    assert answer.status_code == 403
    assert {one["expected"] for one in answer.json()} == {"one signature in a body"}
    assert intake.facts() == []


def test_a_signature_sent_again_is_known_though_it_was_proved_again(intake: Intake) -> None:
    for outcome in ("accepted", "already_known"):
        answer = post(intake, [offer(NoteSigned)], "vet-1", shown=TOKENS["vet-1"])
        assert answer.json()[0]["outcome"] == outcome

    assert len(intake.facts()) == 1
    assert intake.triage() == []


def test_good_facts_of_a_body_are_kept_beside_rejected_ones(intake: Intake) -> None:
    # given
    body = [
        offer(ExposureEnded),
        offer(ExposureEnded, exposure_counter=2, tube_kv=-65.0),
        offer(ClockRead),
        offer(ViewExcused),
    ]

    # when
    answer = post(intake, body)

    # then
    assert answer.status_code == 207
    outcomes = [(one["outcome"], one.get("field")) for one in answer.json()]
    assert outcomes == [
        ("accepted", None),
        ("rejected", "payload.tube_kv"),
        ("accepted", None),
        ("rejected", "kind"),
    ]
    assert {fact.kind for fact in intake.facts()} == {"exposure_ended", "clock_read"}
    assert [entry.field for entry in intake.triage()] == ["payload.tube_kv"]


def test_a_fact_told_otherwise_than_before_is_rejected_with_what_differs(intake: Intake) -> None:
    # given
    post(intake, [offer(ExposureEnded)])

    # when
    answer = post(intake, [offer(ExposureEnded, tube_kv=70.0)])

    # then
    assert answer.status_code == 207
    assert answer.json()[0]["field"] == "payload.tube_kv"
    assert len(intake.facts()) == 1


def test_a_rejected_fact_is_corrected_and_replayed_through_the_bus(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", worker=True) as intake:
        # given
        post(intake, [offer(ExposureEnded, tube_kv=-65.0)])
        (entry,) = intake.triage()
        corrected = json.loads(entry.body)
        corrected["payload"]["tube_kv"] = 65.0

        # when
        with intake.runtime.store.begin() as connection:
            triage.replay(connection, int(entry.id), json.dumps(corrected).encode())
        assert intake.runtime.relay.drain_page() == 1

        # then
        wait_until(intake.facts, 20, "the replayed fact to be kept")
        (fact,) = intake.facts()
        assert fact.source.name == "generator-1"
        assert parse(fact.encode()) == fact
        assert intake.triage() == []


def test_the_door_stops_while_a_client_holds_its_connection(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data") as intake, httpx.Client() as client:
        answer = client.post(intake.facts_url, content=b"[]")
        assert answer.status_code == 401
        intake.stop.set()
        for thread in intake.threads:
            thread.join(30)
        assert not any(thread.is_alive() for thread in intake.threads)
