"""The orders that an intake keeps, as its worklist tells them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from schemas.facts import OrderCancelled, OrderPlaced
from services.intake import worklist_store
from services.intake.accept import Accepted
from services.runtime.store import Store
from tests.contract.offered import fact, keep, sent


def test_the_same_order_id_at_two_sites_is_two_orders(store: Store) -> None:
    outcomes = keep(store, fact(OrderPlaced), fact(OrderPlaced, site="south"))

    assert [type(outcome) for outcome in outcomes] == [Accepted, Accepted]
    with store.read() as connection:
        assert len(worklist_store.scheduled(connection, "north")) == 1
        assert len(worklist_store.scheduled(connection, "south")) == 1


@pytest.mark.parametrize("newest_first", [False, True])
def test_the_highest_revision_of_an_order_is_on_the_worklist_in_any_order(
    store: Store, newest_first: bool
) -> None:
    # given
    orders = [fact(OrderPlaced), fact(OrderPlaced, revision=2, room="dental-2")]

    # when
    for order in reversed(orders) if newest_first else orders:
        keep(store, order)

    # then
    with store.read() as connection:
        (listed,) = worklist_store.scheduled(connection, "north")
    assert listed.room == "dental-2"
    assert listed.patient.name == "Invented Pepper"


@pytest.mark.parametrize("cancelled_first", [False, True])
def test_a_cancelled_order_is_off_the_worklist_in_any_order(
    store: Store, cancelled_first: bool
) -> None:
    # given
    facts = [fact(OrderPlaced), fact(OrderCancelled)]

    # when
    for one in reversed(facts) if cancelled_first else facts:
        keep(store, one)

    # then
    with store.read() as connection:
        assert worklist_store.scheduled(connection, "north") == []
    assert len(sent(store)) == 2


def test_the_worklist_can_be_asked_for_a_span_of_time(store: Store) -> None:
    # given
    for day in (1, 2, 3):
        keep(
            store,
            fact(OrderPlaced, order_id=f"{day}", scheduled_at=f"2026-03-0{day}T09:00:00Z"),
        )

    # when
    with store.read() as connection:
        found = worklist_store.scheduled(
            connection,
            "north",
            datetime(2026, 3, 2, tzinfo=UTC),
            datetime(2026, 3, 3, tzinfo=UTC),
        )

    # then
    assert [order.order_id for order in found] == ["2"]
