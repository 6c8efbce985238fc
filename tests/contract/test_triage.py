"""What a person does with input that could not be used is kept beside it, and the input stays."""

from __future__ import annotations

import json
from typing import Any

import pytest
from sqlalchemy import select

from schemas.errors import InvalidInput
from schemas.messages import parse
from services.runtime import triage
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from tests.messages import clock_read


def kept(store: Store, body: bytes, *, service: str = "intake", origin: str = "http") -> Any:
    error = InvalidInput("payload.device", "Not A Name", "a short name")
    with store.begin() as connection:
        triage.keep(connection, [triage.Kept(service, origin, error, body, "clock_read")])
        return triage.entries(connection)[-1]


def entry(store: Store, number: int) -> Any:
    with store.read() as connection:
        return triage.entry(connection, number)


def bad(message: Any) -> bytes:
    body: bytes = message.encode().replace(b'"generator-1","device_time"', b'"A B","device_time"')
    return body


def test_an_edited_copy_is_a_new_offer_and_the_original_stays(store: Store) -> None:
    # given
    message = clock_read()
    row = kept(store, bad(message))

    # when
    with store.begin() as connection:
        sent_id = triage.replay(connection, row.id, message.encode(), by="north/admin-1")

    # then: an id of its own, the kept one as its cause
    with store.read() as connection:
        sent = connection.execute(select(OUTBOX)).one()
    offered = parse(sent.body)
    assert str(offered.id) == sent_id != str(message.id)
    assert offered.causation_id == message.id
    assert sent.exchange == "gomphosis.offers"
    after = entry(store, row.id)
    assert (after.body, after.sent_body) == (bad(message), sent.body)
    assert (after.state, after.settled_by, after.sent_message_id) == (
        "replayed",
        "north/admin-1",
        sent_id,
    )


def test_what_is_replayed_as_it_was_keeps_its_id(store: Store) -> None:
    message = clock_read()
    row = kept(store, message.encode())

    with store.begin() as connection:
        assert triage.replay(connection, row.id) == str(message.id)

    assert entry(store, row.id).sent_body is None


def test_a_discarded_entry_says_who_and_why(store: Store) -> None:
    row = kept(store, b"no JSON")

    with store.begin() as connection:
        triage.discard(connection, row.id, by="north/admin-1", reason="w" * 500)

    after = entry(store, row.id)
    assert (after.state, after.settled_by) == ("discarded", "north/admin-1")
    assert after.settled_reason == "w" * 400


@pytest.mark.parametrize(
    ("body", "site"),
    [
        (json.dumps({"site": "north"}).encode(), "north"),
        (b'{"site": 7}', None),
        (b"[]", None),
        (b"\xff", None),
    ],
)
def test_an_entry_names_its_site_where_its_body_does(
    store: Store, body: bytes, site: str | None
) -> None:
    assert triage.site_of(kept(store, body)) == site
