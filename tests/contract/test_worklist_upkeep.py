"""The worklist follows studies and patients, in whatever order their facts come, on both stores."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from typing import Any

import pytest

from schemas.envelope import Message, Payload, new_id
from schemas.facts import OrderPlaced, Patient, PatientDescribed, PatientMerged, StudyClosed
from services.intake import commitment_store, worklist_store
from services.intake.accept import accept
from services.intake.commitment_rules import CommitmentRequest, Reference
from services.intake.worklist_store import ScheduledOrder
from services.runtime.store import Store
from tests.contract import offered

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
PEPPER: dict[str, Any] = Patient.EXAMPLES[0]


def fact(payload: type[Payload], minutes: int = 0, **changes: Any) -> Message[Payload]:
    at = AT + timedelta(minutes=minutes)
    return replace(offered.fact(payload, **changes), occurred_at=at, received_at=at)


def described(minutes: int, patient_id: str = "P-1001", **changes: Any) -> Message[Payload]:
    patient = PEPPER | {"patient_id": patient_id} | changes
    return fact(PatientDescribed, minutes, patient=patient)


def merged(minutes: int, retired: str, kept: str) -> Message[Payload]:
    return fact(PatientMerged, minutes, retired_patient_id=retired, kept_patient_id=kept)


def keep(store: Store, *messages: Message[Payload]) -> None:
    for message in messages:
        with store.begin() as connection:
            accept(connection, "intake", [message])


def worklist(store: Store, site: str = "north") -> list[ScheduledOrder]:
    with store.read() as connection:
        return list(worklist_store.scheduled(connection, site))


@pytest.mark.parametrize("closed_first", [False, True])
def test_an_order_is_off_the_worklist_once_its_study_is_closed(
    store: Store, closed_first: bool
) -> None:
    # given
    facts = [fact(OrderPlaced), fact(StudyClosed, 30)]

    # when
    keep(store, *(reversed(facts) if closed_first else facts))

    # then
    assert worklist(store) == []


def test_a_closed_order_does_not_come_back_when_it_is_changed(store: Store) -> None:
    keep(store, fact(OrderPlaced), fact(StudyClosed, 30))

    keep(store, fact(OrderPlaced, 60, revision=2, room="dental-2"))

    assert worklist(store) == []


def test_closing_a_study_leaves_other_studies_and_sites_alone(store: Store) -> None:
    keep(
        store,
        fact(OrderPlaced),
        fact(OrderPlaced, order_id="1002", study_instance_uid="2.25.1002"),
        fact(OrderPlaced, site="south"),
    )

    keep(store, fact(StudyClosed, 30))

    assert [one.order_id for one in worklist(store)] == ["1002"]
    assert [one.order_id for one in worklist(store, "south")] == ["1001"]


def test_a_patient_described_later_reads_as_described_in_any_order(store: Store) -> None:
    weight = {"value": 12.3, "unit": "kg"}
    facts = [
        fact(OrderPlaced),
        described(10, name="Invented Peper"),
        described(20, name="Invented Pepper", weight=weight),
    ]

    for site, order in zip("abcdef", permutations(facts), strict=True):
        for message in order:
            keep(store, _at(message, f"site-{site}"))
        (listed,) = worklist(store, f"site-{site}")

        assert (listed.patient.name, listed.patient.weight) == (
            "Invented Pepper",
            Patient.model_validate_json(json.dumps(PEPPER | {"weight": weight})).weight,
        )


def test_an_order_told_after_a_description_keeps_its_own(store: Store) -> None:
    keep(store, described(-10, name="Invented Peper"), fact(OrderPlaced))

    (listed,) = worklist(store)

    assert listed.patient.name == "Invented Pepper"


def test_merged_patients_read_as_the_one_kept_in_any_order(store: Store) -> None:
    facts = [
        fact(OrderPlaced),
        merged(10, "P-1001", "P-2000"),
        merged(20, "P-2000", "P-3000"),
        described(30, "P-3000", name="Invented Salt"),
    ]

    for number, order in enumerate(permutations(facts)):
        for message in order:
            keep(store, _at(message, f"site-{number}"))
        (listed,) = worklist(store, f"site-{number}")

        assert (listed.patient.patient_id, listed.patient.name) == ("P-3000", "Invented Salt")


def test_the_newest_merge_of_an_id_counts(store: Store) -> None:
    keep(store, fact(OrderPlaced), merged(20, "P-1001", "P-3000"), merged(10, "P-1001", "P-2000"))

    (listed,) = worklist(store)

    assert (listed.patient.patient_id, listed.patient.name) == ("P-3000", "Invented Pepper")


def test_patients_merged_in_a_ring_read_as_the_smallest_id(store: Store) -> None:
    keep(store, fact(OrderPlaced), merged(10, "P-1001", "P-0900"), merged(20, "P-0900", "P-1001"))

    (listed,) = worklist(store)

    assert listed.patient.patient_id == "P-0900"


def test_a_commitment_is_owed_until_it_is_delivered(store: Store) -> None:
    # given
    request = CommitmentRequest("2.25.31", (Reference("1.2.3", "2.25.1"),))
    other = CommitmentRequest("2.25.31", (Reference("1.2.3", "2.25.2"),))
    with store.begin() as connection:
        for one in (request, other):
            commitment_store.insert_request(connection, "north", "station-1", one, AT, AT)

    # when
    with store.read() as connection:
        early = commitment_store.due(connection, AT - timedelta(seconds=1))
        due = commitment_store.due(connection, AT)
    first = next(one for one in due if not one.duplicate)
    with store.begin() as connection:
        commitment_store.put_off(connection, first, AT + timedelta(seconds=5))
    with store.read() as connection:
        left = commitment_store.due(connection, AT)
    with store.begin() as connection:
        commitment_store.delivered(connection, first)

    # then
    assert early == []
    assert {(one.references, one.duplicate) for one in due} == {
        (request.references, False),
        (other.references, True),
    }
    assert [one.references for one in left] == [other.references]
    with store.read() as connection:
        later = commitment_store.due(connection, AT + timedelta(hours=1))
        assert [one.references for one in later] == [other.references]
        assert commitment_store.find(connection, "north", "station-1", "2.25.31", "0") is None


def _at(message: Message[Payload], site: str) -> Message[Payload]:
    """The same fact at another site, so that each order of facts starts from nothing."""
    return replace(message, id=new_id(), site=site)
