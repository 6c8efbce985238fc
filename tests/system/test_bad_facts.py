"""Bad facts at the HTTP door: a clear error, kept for a person, and the line goes on."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.requests import Request

from schemas.facts import ExposureEnded
from services.intake.http_app import bounded_body
from tests.bad_input import GOOD_OFFER, assert_facts_go_on, post
from tests.intake_support import TOKENS, Intake, running_intake


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


@pytest.mark.parametrize(
    ("offer", "field", "expected"),
    [
        ({**GOOD_OFFER, "kind": "toast_burnt"}, "kind", "one of"),
        ({**GOOD_OFFER, "kind": "study_assessed"}, "kind", "one of"),
        ({**GOOD_OFFER, "kind": 7}, "kind", "string"),
        ({**GOOD_OFFER, "schema_version": 99}, "schema_version", "at most 2"),
        ({**GOOD_OFFER, "occurred_at": "2026-03-02T10:20:00"}, "occurred_at", "timezone"),
        ({**GOOD_OFFER, "occurred_at": None}, "occurred_at", "datetime"),
        ({"kind": "exposure_ended"}, "occurred_at", "required"),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"tube_kv": -65.0}},
            "payload.tube_kv",
            "greater than 0",
        ),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"tube_kv": "65"}},
            "payload.tube_kv",
            "number",
        ),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"colour": "red"}},
            "payload.colour",
            "not permitted",
        ),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"exposure_counter": 10**4000}},
            "payload.exposure_counter",
            "less than or equal",
        ),
        (
            {**GOOD_OFFER, "payload": ExposureEnded.EXAMPLES[0] | {"tube_kv": float("nan")}},
            "payload.tube_kv",
            "",
        ),
        ("not an object", "message", "object"),
        (None, "message", "object"),
    ],
)
def test_a_bad_fact_is_refused_by_its_field_and_kept_for_a_person(
    intake: Intake, offer: Any, field: str, expected: str
) -> None:
    # when
    answer = post(intake, json.dumps([offer]).encode())

    # then
    assert answer.status_code == 207
    (told,) = answer.json()
    assert told["outcome"] == "rejected"
    assert told["field"].startswith(field)
    assert expected in told["expected"]
    (entry,) = intake.triage()
    assert (entry.origin, entry.field) == ("http", told["field"])
    assert json.loads(entry.body)["source"] == {"kind": "device", "name": "generator-1"}
    assert intake.facts() == []
    assert_facts_go_on(intake)


@pytest.mark.parametrize("study", ["2.25.1 ", "", "x" * 200, "2.25.1\n", "\x7f"])
def test_a_study_that_is_no_uid_spoils_neither_its_envelope_nor_its_neighbours(
    intake: Intake, study: str
) -> None:
    payload = ExposureEnded.EXAMPLES[0] | {"study_instance_uid": study}

    answer = post(intake, json.dumps([{**GOOD_OFFER, "payload": payload}, GOOD_OFFER]).encode())

    assert answer.status_code == 207
    assert [one["outcome"] for one in answer.json()] == ["rejected", "accepted"]
    assert answer.json()[0]["field"] == "payload.study_instance_uid"
    (entry,) = intake.triage()
    assert entry.field == "payload.study_instance_uid"


@pytest.mark.parametrize("length", ["\u00b9", "9" * 5_000, "-1", ""])
def test_a_length_that_is_none_is_not_believed(length: str) -> None:
    scope = {
        "type": "http",
        "method": "POST",
        "headers": [(b"content-length", length.encode("latin-1"))],
    }

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"invented", "more_body": False}

    assert asyncio.run(bounded_body(Request(scope, receive), 100)) == b"invented"


@pytest.mark.parametrize("body", [b"[{", b"", b"\xff\xfe", b'{"kind": NaN', b"[1, 2" * 1000])
def test_malformed_json_is_refused_and_kept_as_it_came(intake: Intake, body: bytes) -> None:
    # when
    answer = post(intake, body)

    # then
    assert answer.status_code == 400
    assert answer.json()[0]["field"] == "message"
    assert "JSON" in answer.json()[0]["expected"]
    (entry,) = intake.triage()
    assert entry.body == body
    assert_facts_go_on(intake)


def test_json_nested_without_end_is_refused(intake: Intake) -> None:
    answer = post(intake, b"[" * 100_000)

    assert answer.status_code == 400
    assert_facts_go_on(intake)


def test_more_facts_than_allowed_are_refused_together(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", max_facts_in_body=3) as intake:
        answer = post(intake, json.dumps([GOOD_OFFER] * 4).encode())

        assert answer.status_code == 400
        assert answer.json()[0]["expected"] == "at most 3"
        assert intake.facts() == []


@pytest.mark.parametrize("chunked", [False, True])
def test_a_body_that_is_too_large_is_cut_off(tmp_path: Path, chunked: bool) -> None:
    with running_intake(tmp_path / "data", max_body_bytes=10_000) as intake:
        # given
        body = b"x" * 50_000
        content: Any = iter([body[:25_000], body[25_000:]]) if chunked else body

        # when
        headers = {"Authorization": f"Bearer {TOKENS['generator-1']}"}
        answer = httpx.post(intake.facts_url, content=content, headers=headers, timeout=30)

        # then
        assert answer.status_code == 413
        assert answer.json()["expected"] == "at most 10000 bytes"
        assert_facts_go_on(intake)
