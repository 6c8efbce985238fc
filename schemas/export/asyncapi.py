"""One AsyncAPI 3.0 document of exchanges, queues and messages, as gomphosis sees them.

``receive`` on the offers exchange is what a device may send us; ``send`` on the others is what
we tell. Schemas keep to keywords of JSON Schema draft-07, the base of AsyncAPI's own.
"""

from typing import Any

from pydantic.json_schema import JsonSchemaValue, models_json_schema

from schemas.base import Contract
from schemas.channels import EXCHANGE_OF, SUBSCRIPTIONS, Exchange, Subscription
from schemas.envelope import Envelope, Payload
from schemas.facts import FACTS
from schemas.messages import KINDS, MAX_MESSAGE_BYTES

ASYNCAPI_VERSION = "3.0.0"
CONTRACT_VERSION = "1.0.0"
"""Of the document as a whole; each message has a version of its own."""

_AMQP_BINDING = "0.3.0"
_SCHEMAS = "#/components/schemas/"
_ABOUT_EXCHANGE = {
    Exchange.OFFERS: "Facts that are offered to gomphosis and not accepted yet",
    Exchange.FACTS: "Facts that gomphosis has accepted and keeps",
    Exchange.CONCLUSIONS: "What gomphosis concludes from the facts",
}


def asyncapi_document() -> dict[str, Any]:
    """Give the whole document."""
    names, schemas = _schemas()
    return {
        "asyncapi": ASYNCAPI_VERSION,
        "info": {
            "title": "gomphosis messages",
            "version": CONTRACT_VERSION,
            "description": (
                "Facts in, assessment out: joins veterinary dental X-ray exposures and images to "
                "the patient record. A message is one JSON object, the envelope, of at most "
                f"{MAX_MESSAGE_BYTES} bytes. All names and values in the examples are invented."
            ),
        },
        "defaultContentType": "application/json",
        "channels": {
            **{_channel_id(exchange): _exchange_channel(exchange) for exchange in Exchange},
            **{_queue_id(one): _queue_channel(one) for one in SUBSCRIPTIONS},
        },
        "operations": {
            **{_exchange_operation_id(one): _exchange_operation(one) for one in Exchange},
            **{f"work_{one.queue}": _queue_operation(one) for one in SUBSCRIPTIONS},
        },
        "components": {
            "messages": {kind: _message(model, names[model]) for kind, model in KINDS.items()},
            "schemas": schemas,
        },
    }


def _schemas() -> tuple[dict[type[Contract], str], dict[str, JsonSchemaValue]]:
    """Give every schema by name, and under which name each message's payload stands."""
    models: list[type[Contract]] = [Envelope, *KINDS.values()]
    by_model, definitions = models_json_schema(
        [(model, "validation") for model in models], ref_template=f"{_SCHEMAS}{{model}}"
    )
    names = {
        model: by_model[model, "validation"]["$ref"].removeprefix(_SCHEMAS) for model in models
    }
    return names, dict(sorted(definitions["$defs"].items()))


def _kinds_of(exchange: Exchange) -> list[str]:
    if exchange is Exchange.OFFERS:
        return [fact.KIND for fact in FACTS]
    return [kind for kind, own in EXCHANGE_OF.items() if own is exchange]


def _channel_id(exchange: Exchange) -> str:
    return exchange.name.lower()


def _queue_id(subscription: Subscription) -> str:
    return f"queue_{subscription.queue}"


def _messages(kinds: list[str]) -> dict[str, Any]:
    return {kind: {"$ref": f"#/components/messages/{kind}"} for kind in kinds}


def _message_refs(channel: str, kinds: list[str]) -> list[dict[str, str]]:
    return [{"$ref": f"#/channels/{channel}/messages/{kind}"} for kind in kinds]


def _exchange_channel(exchange: Exchange) -> dict[str, Any]:
    kinds = _kinds_of(exchange)
    return {
        "address": "{kind}.{group}.{site}",
        "title": _ABOUT_EXCHANGE[exchange],
        "messages": _messages(kinds),
        "parameters": {
            "kind": {"description": "The message kind", "enum": kinds},
            "group": {"description": "The hospital group"},
            "site": {"description": "The site in the group"},
        },
        "bindings": {
            "amqp": {
                "is": "routingKey",
                "exchange": {
                    "name": exchange.value,
                    "type": "topic",
                    "durable": True,
                    "autoDelete": False,
                },
                "bindingVersion": _AMQP_BINDING,
            }
        },
    }


def _queue_kinds(subscription: Subscription) -> list[str]:
    return list(dict.fromkeys(kind for _, kind in subscription.kinds))


def _queue_channel(subscription: Subscription) -> dict[str, Any]:
    bindings = "; ".join(f"{exchange} {key}" for exchange, key in subscription.binding_keys())
    return {
        "address": subscription.queue,
        "title": f"The queue of the {subscription.queue} workers",
        "description": f"Bound by: {bindings}",
        "messages": _messages(_queue_kinds(subscription)),
        "bindings": {
            "amqp": {
                "is": "queue",
                "queue": {
                    "name": subscription.queue,
                    "durable": True,
                    "exclusive": False,
                    "autoDelete": False,
                },
                "bindingVersion": _AMQP_BINDING,
            }
        },
    }


def _exchange_operation_id(exchange: Exchange) -> str:
    return f"{_action(exchange)}_{_channel_id(exchange)}"


def _action(exchange: Exchange) -> str:
    return "receive" if exchange is Exchange.OFFERS else "send"


def _exchange_operation(exchange: Exchange) -> dict[str, Any]:
    return {
        "action": _action(exchange),
        "channel": {"$ref": f"#/channels/{_channel_id(exchange)}"},
        "summary": _ABOUT_EXCHANGE[exchange],
        "messages": _message_refs(_channel_id(exchange), _kinds_of(exchange)),
    }


def _queue_operation(subscription: Subscription) -> dict[str, Any]:
    channel = _queue_id(subscription)
    return {
        "action": "receive",
        "channel": {"$ref": f"#/channels/{channel}"},
        "summary": f"What the {subscription.queue} workers hear",
        "messages": _message_refs(channel, _queue_kinds(subscription)),
    }


def _message(model: type[Payload], schema_name: str) -> dict[str, Any]:
    """Give the envelope with this payload in it."""
    envelope = Envelope.EXAMPLES[0]
    return {
        "name": model.KIND,
        "title": f"{model.KIND}, version {model.VERSION}",
        "summary": (model.__doc__ or model.KIND).strip().splitlines()[0],
        "contentType": "application/json",
        "correlationId": {"location": "$message.payload#/correlation_id"},
        "payload": {
            "allOf": [
                {"$ref": f"{_SCHEMAS}Envelope"},
                {
                    "type": "object",
                    "properties": {
                        "kind": {"const": model.KIND},
                        "schema_version": {"const": model.VERSION},
                        "payload": {"$ref": f"{_SCHEMAS}{schema_name}"},
                    },
                },
            ]
        },
        "examples": [
            {
                "name": f"{model.KIND}_{number}",
                "payload": {
                    **envelope,
                    "kind": model.KIND,
                    "schema_version": model.VERSION,
                    "payload": example,
                },
            }
            for number, example in enumerate(model.EXAMPLES, start=1)
        ],
    }
