"""A site's own node: what runs there, and who hears what."""

import pytest
from pydantic import SecretStr, ValidationError

from schemas.channels import EXCHANGE_OF, NODE_SUBSCRIPTIONS, OPEN_KINDS, SUBSCRIPTIONS
from schemas.facts import FACTS
from services.runtime.here import subscriptions_here
from services.runtime.service import service_names, services_here
from services.runtime.settings import ForwardSettings, Settings

TOKEN = SecretStr("invented-token-node")
NODE = Settings(forward=ForwardSettings(url="https://group.invented", token=TOKEN))


def test_a_node_runs_what_the_room_needs_and_nothing_that_charges_or_posts() -> None:
    assert services_here(NODE) == ["assessment", "console", "forward", "intake"]
    assert subscriptions_here(NODE) == NODE_SUBSCRIPTIONS


def test_without_a_group_to_send_to_every_service_runs_and_none_forwards() -> None:
    assert services_here(Settings()) == service_names()
    assert "forward" not in service_names()
    assert subscriptions_here(Settings()) == SUBSCRIPTIONS


@pytest.mark.parametrize("kind", [fact.KIND for fact in FACTS])
def test_every_fact_that_is_kept_at_a_node_is_lined_up_for_the_group(kind: str) -> None:
    forward = next(one for one in NODE_SUBSCRIPTIONS if one.queue == "forward")

    assert (EXCHANGE_OF[kind], kind) in forward.kinds


@pytest.mark.parametrize("kind", ["study_assessed", "room_day_assessed"])
def test_what_is_concluded_at_a_node_is_heard_there(kind: str) -> None:
    heard = {pair for one in NODE_SUBSCRIPTIONS for pair in one.kinds}

    assert (EXCHANGE_OF[kind], kind) in heard or kind in OPEN_KINDS


def test_a_node_without_a_token_is_refused() -> None:
    with pytest.raises(ValidationError, match="expected a token with the url"):
        ForwardSettings(url="https://group.invented")
