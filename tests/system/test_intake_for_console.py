"""A console tells facts over a real socket in the name of whoever is signed in."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from schemas.acting import ACTING_PERSON
from schemas.facts import NoteSigned, ViewExcused
from services.runtime import audit
from services.runtime.passwords import hash_password
from tests.intake_support import GROUP, TOKENS, Intake, running_intake
from tests.servers.polling import wait_until

AT = "2026-03-02T10:20:00+01:00"
PASSWORD = "invented password of a vet"


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    north = GROUP["sites"][0]
    people = [
        one | ({"password_argon2": hash_password(PASSWORD)} if one["name"] == "vet-1" else {})
        for one in north["people"]
    ]
    group = GROUP | {"sites": [north | {"people": people}, *GROUP["sites"][1:]]}
    with running_intake(tmp_path / "data", group=group) as running:
        yield running


def post(
    intake: Intake,
    kind: Any,
    person: str | None,
    typed: str | None = None,
    holder: str = "console-1",
) -> httpx.Response:
    headers = {"Authorization": f"Bearer {TOKENS[holder]}"}
    if person is not None:
        headers[ACTING_PERSON] = person
    if typed is not None:
        told = base64.b64encode(f":{typed}".encode()).decode()
        headers["Signing-Authorization"] = f"Basic {told}"
    offer = {"kind": kind.KIND, "occurred_at": AT, "payload": kind.EXAMPLES[0]}
    return httpx.post(intake.facts_url, json=[offer], headers=headers, timeout=30)


def test_a_fact_is_the_persons_and_a_signature_wants_the_persons_password(intake: Intake) -> None:
    # when
    excused = post(intake, ViewExcused, "north/tech-1")
    signed = post(intake, NoteSigned, "north/vet-1", PASSWORD)

    # then
    assert (excused.status_code, signed.status_code) == (200, 200), signed.text
    told = [(fact.kind, fact.source.kind, fact.source.name) for fact in intake.facts()]
    assert sorted(told) == [
        ("note_signed", "person", "vet-1"),
        ("view_excused", "person", "tech-1"),
    ]
    assert all(PASSWORD not in fact.encode().decode() for fact in intake.facts())


def test_what_a_person_may_not_tell_their_console_may_not_either(intake: Intake) -> None:
    assert post(intake, NoteSigned, "north/tech-1", PASSWORD).status_code == 403
    assert post(intake, ViewExcused, None).status_code == 403
    assert post(intake, ViewExcused, "south/vet-9").status_code == 403
    assert post(intake, ViewExcused, "north/vet-1", holder="tablet-1").status_code == 403
    assert intake.facts() == []


def test_a_wrong_password_signs_nothing_and_is_in_the_audit_without_the_password(
    intake: Intake,
) -> None:
    # when
    refused = post(intake, NoteSigned, "north/vet-1", "a wrong invented one")

    # then
    assert refused.status_code == 403
    assert refused.json()[0]["field"] == "Signing-Authorization"
    assert intake.facts() == []
    assert intake.triage() == []

    def audited() -> list[Any]:
        with intake.runtime.store.read() as connection:
            return [row for row in audit.entries(connection) if row.holder == "vet-1"]

    (row,) = wait_until(audited, 20, "the refusal in the audit")
    assert row.refused == "fact note_signed"
    assert "wrong invented" not in str(tuple(row))
