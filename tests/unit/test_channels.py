"""Who hears what: every kind of message has its hearers."""

from __future__ import annotations

import pytest

from schemas.channels import EXCHANGE_OF, OPEN_KINDS, SUBSCRIPTIONS, Exchange
from schemas.envelope import Payload
from schemas.facts import FACTS
from schemas.messages import KINDS
from tests.kind_messages import KIND_NAMES


@pytest.mark.parametrize("kind", KIND_NAMES)
def test_every_kind_is_heard_where_it_is_published(kind: str) -> None:
    heard = {pair for subscription in SUBSCRIPTIONS for pair in subscription.kinds}

    assert (EXCHANGE_OF[kind], kind) in heard or kind in OPEN_KINDS


def test_only_conclusions_may_go_unheard() -> None:
    assert {EXCHANGE_OF[kind] for kind in OPEN_KINDS} <= {Exchange.CONCLUSIONS}


@pytest.mark.parametrize("fact", FACTS, ids=lambda fact: fact.KIND)
def test_every_fact_may_be_offered(fact: type[Payload]) -> None:
    heard = {pair for subscription in SUBSCRIPTIONS for pair in subscription.kinds}

    assert (Exchange.OFFERS, fact.KIND) in heard


def test_nobody_hears_a_kind_that_does_not_exist() -> None:
    for subscription in SUBSCRIPTIONS:
        for exchange, kind in subscription.kinds:
            assert kind in KINDS
            assert exchange in {Exchange.OFFERS, EXCHANGE_OF[kind]}


def test_queues_have_names_of_their_own() -> None:
    queues = [subscription.queue for subscription in SUBSCRIPTIONS]

    assert len(set(queues)) == len(queues)
