"""Which facts an intake takes from the bus, and which it refuses."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from schemas.conclusions import NoteWritten
from schemas.envelope import Payload
from schemas.errors import InvalidInput
from schemas.facts import (
    DocumentStored,
    ExposureEnded,
    ImageStored,
    NoteAddended,
    NoteSigned,
    OrderPlaced,
)
from schemas.group import Group
from schemas.messages import read_payload
from services.intake.worker import offered_facts
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.contract.offered import fact, sent
from tests.intake_support import GROUP

OUR_GROUP = Group.model_validate_json(json.dumps(GROUP))


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"group": "another-group"}, "group"),
        ({"site": "nowhere"}, "site"),
    ],
)
def test_an_offer_of_a_foreign_group_or_site_is_refused(
    store: Store, changes: dict[str, Any], field: str
) -> None:
    offer = replace(fact(ExposureEnded), **changes)

    with pytest.raises(InvalidInput) as refusal, store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), [offer])

    assert refusal.value.field == field
    assert sent(store) == []


@pytest.mark.parametrize("kind", [ImageStored, DocumentStored])
def test_an_object_offered_over_the_bus_without_its_file_is_refused(
    store: Store, kind: type[Payload]
) -> None:
    with pytest.raises(InvalidInput, match="by DICOM"), store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), [fact(kind)])

    assert sent(store) == []


@pytest.mark.parametrize("kind", [NoteSigned, NoteAddended])
def test_a_signature_is_not_taken_from_the_bus_where_nobody_proves_who_they_are(
    store: Store, kind: type[Payload]
) -> None:
    with pytest.raises(InvalidInput, match="over HTTP"), store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), [fact(kind)])

    assert sent(store) == []


def test_a_conclusion_is_no_fact_and_refused(store: Store) -> None:
    conclusion = replace(
        fact(ExposureEnded),
        payload=read_payload("note_written", NoteWritten.VERSION, NoteWritten.EXAMPLES[0]),
    )

    with pytest.raises(InvalidInput, match="a fact"), store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), [conclusion])


def test_offers_of_our_sites_are_kept_and_sent(store: Store) -> None:
    offers = [fact(ExposureEnded), fact(OrderPlaced, site="south")]

    with store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), offers)

    assert sent(store) == offers
