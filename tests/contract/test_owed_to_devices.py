"""What is owed to devices waits for no clock that ran ahead and was put right."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from schemas.facts import StudyClosed
from services.intake import availability_store, commitment_store
from services.intake.commitment_rules import CommitmentRequest, Reference
from services.intake.outgoing_waits import LONGEST_WAIT
from services.runtime.store import Store
from tests.contract.offered import fact

STUDY = "2.25.31"
AHEAD = timedelta(days=2)
REQUEST = CommitmentRequest("2.25.77", (Reference("1.2.840.10008.5.1.4.1.1.7", "2.25.3"),))


def test_a_commitment_asked_for_while_the_clock_ran_ahead_is_reported_all_the_same(
    store: Store,
) -> None:
    right = datetime(2026, 3, 2, 9, tzinfo=UTC)
    with store.begin() as connection:
        for device, due_at in (("ahead", right + AHEAD), ("later", right + LONGEST_WAIT)):
            commitment_store.insert_request(connection, "north", device, REQUEST, right, due_at)

    with store.read() as connection:
        assert [one.device for one in commitment_store.due(connection, right)] == ["ahead"]


def test_a_closed_study_and_its_notice_are_looked_at_though_their_clock_ran_ahead(
    store: Store,
) -> None:
    # given: written by this machine's clock, which is two days ahead of the right time
    right = datetime.now(UTC) - AHEAD
    with store.begin() as connection:
        availability_store.note_fact(connection, fact(StudyClosed, study_instance_uid=STUDY))
        availability_store.owe_notice(connection, "north", STUDY, "record", "0" * 64)

    # then
    with store.read() as connection:
        assert [one[1] for one in availability_store.to_look_at(connection, right)] == [STUDY]
        assert [one.device for one in availability_store.due(connection, right)] == ["record"]
