"""Another content under a known key or id is never taken for a resend: a person is told."""

from __future__ import annotations

from dataclasses import replace
from threading import Barrier, Thread

import pytest

from schemas.envelope import Payload
from schemas.facts import DocumentStored, ExposureEnded, ImageStored
from schemas.messages import parse
from services.intake.accept import Conflict, Outcome
from services.intake.store import IMAGE
from services.runtime.store import Store
from tests.contract.offered import count, fact, keep, kept_for_a_person, sent


def test_another_content_under_a_known_key_is_not_kept_and_a_person_is_told(store: Store) -> None:
    # given
    first, other = fact(ExposureEnded), fact(ExposureEnded, tube_kv=70.0)
    keep(store, first)

    # when
    (outcome,) = keep(store, other)

    # then
    assert isinstance(outcome, Conflict)
    assert (outcome.kept, outcome.error.field) == (False, "payload.tube_kv")
    assert sent(store) == [first]
    (entry,) = kept_for_a_person(store)
    assert (entry.field, entry.value) == ("payload.tube_kv", "70.0")
    assert parse(entry.body) == other


def test_two_facts_under_one_message_id_are_told_to_a_person(store: Store) -> None:
    # given
    first = fact(ExposureEnded)
    other = fact(ExposureEnded, exposure_counter=4712)
    same_id = replace(other, id=first.id)
    keep(store, first)

    # when
    (outcome,) = keep(store, same_id)

    # then
    assert isinstance(outcome, Conflict)
    assert outcome.error.field == "id"
    assert sent(store) == [first]


@pytest.mark.parametrize("kind", [ImageStored, DocumentStored])
def test_an_object_of_other_content_under_a_known_uid_goes_out_and_a_person_is_told(
    store: Store, kind: type[Payload]
) -> None:
    # given
    first, other = fact(kind), fact(kind, sha256="2" * 64, path="north/other.dcm")
    keep(store, first)

    # when
    (outcome,) = keep(store, other)

    # then
    assert isinstance(outcome, Conflict)
    assert outcome.kept
    assert sent(store) == [first, other]
    assert count(store, IMAGE) == 2
    (entry,) = kept_for_a_person(store)
    assert entry.field == "SOPInstanceUID (0008,0018)"


def test_two_contents_of_one_image_at_once_make_one_conflict(store: Store) -> None:
    # given
    barrier = Barrier(2)
    outcomes: list[Outcome] = []

    def tell(sha256: str) -> None:
        message = fact(ImageStored, sha256=sha256, path=f"north/{sha256[:4]}.dcm")
        barrier.wait()
        outcomes.extend(keep(store, message))

    # when
    threads = [Thread(target=tell, args=(digit * 64,)) for digit in "12"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    # then
    assert sorted(type(outcome).__name__ for outcome in outcomes) == ["Accepted", "Conflict"]
    assert count(store, IMAGE) == 2
