"""The queues behind one subscription, as RabbitMQ wants them declared.

For a queue ``q``: ``q`` itself; ``q.dead`` for what the broker has given up delivering; and one
``q.retry.<ms>`` per wait, whose messages go back to ``q`` when their time has passed. All are
quorum queues (RabbitMQ 3.10 or later: message TTL and at-least-once dead-lettering,
https://www.rabbitmq.com/docs/quorum-queues).
"""

from collections.abc import Sequence
from typing import Any

from schemas.channels import Exchange, Subscription
from services.runtime.bus import BusLimits

ATTEMPT_HEADER = "gomphosis-attempt"

# RabbitMQ 4 puts a limit of 20 on a quorum queue that names none, and drops beyond it. What lies
# here must stay until it is acknowledged.
_NO_DELIVERY_LIMIT = 1_000_000_000

_QUORUM = {"x-queue-type": "quorum"}
# At-least-once dead-lettering wants reject-publish, else it silently becomes at-most-once.
_SAFE_DEAD_LETTER = {
    "x-dead-letter-exchange": "",
    "x-dead-letter-strategy": "at-least-once",
    "x-overflow": "reject-publish",
}


def dead_queue(queue: str) -> str:
    """Name the queue of the messages that were given up."""
    return f"{queue}.dead"


def retry_queue(queue: str, wait_s: float) -> str:
    """Name the queue in which messages wait."""
    return f"{queue}.retry.{round(wait_s * 1000)}"


def retry_wait_s(limits: BusLimits, wait_s: float) -> float:
    """Round a wait up to one that has a queue; beyond the longest it is the longest."""
    return min((w for w in limits.retry_waits_s if w >= wait_s), default=max(limits.retry_waits_s))


def queue_arguments(queue: str, limits: BusLimits) -> dict[str, dict[str, Any]]:
    """Give every queue of a subscription with its arguments, in the order to declare them."""
    arguments: dict[str, dict[str, Any]] = {
        dead_queue(queue): {**_QUORUM, "x-delivery-limit": _NO_DELIVERY_LIMIT},
        queue: {
            **_QUORUM,
            **_SAFE_DEAD_LETTER,
            "x-dead-letter-routing-key": dead_queue(queue),
            # The broker gives up when the count of returns exceeds the limit.
            "x-delivery-limit": limits.delivery_limit - 1,
        },
    }
    for wait_s in limits.retry_waits_s:
        arguments[retry_queue(queue, wait_s)] = {
            **_QUORUM,
            **_SAFE_DEAD_LETTER,
            "x-dead-letter-routing-key": queue,
            "x-message-ttl": round(wait_s * 1000),
        }
    return arguments


def declare(channel: Any, subscriptions: Sequence[Subscription], limits: BusLimits) -> None:
    """Ask for exchanges, queues and bindings, without waiting for each.

    The channel keeps the order, so whatever is asked next has its answer after all of these; a
    refusal closes the channel.
    """
    for exchange in Exchange:
        channel.exchange_declare(exchange.value, exchange_type="topic", durable=True)
    for subscription in subscriptions:
        for queue, arguments in queue_arguments(subscription.queue, limits).items():
            channel.queue_declare(queue, durable=True, arguments=arguments)
        for exchange, key in subscription.binding_keys():
            channel.queue_bind(subscription.queue, exchange.value, key)
