"""Logs by structlog: JSON for machines, console for people, never an owner's name.

Every line of a message's work carries its ids (``bind_messages``), through the whole chain.
"""

import logging
import sys
from collections.abc import Iterator, MutableMapping, Sequence
from contextlib import contextmanager
from typing import Any

import structlog

from schemas.envelope import Message, Payload
from services.runtime.settings import LogSettings

_PERSONAL = frozenset(
    {"name", "patient", "patient_name", "responsible_person", "owner", "payload", "body", "html"}
)
"""Keys that could carry who an owner or an animal is. Logs carry ids."""

_SHOWN_CHAINS = 20


def _hide_personal(
    _logger: Any, _method: str, event: MutableMapping[str, Any]
) -> MutableMapping[str, Any]:
    for key in _PERSONAL & event.keys():
        event[key] = "(left out of logs)"
    return event


def configure_logs(settings: LogSettings, service: str) -> None:
    """Set up logging for this process. Lines go to standard error."""
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        _hide_personal,
        structlog.processors.StackInfoRenderer(),
    ]
    last: list[Any] = (
        [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
        if settings.format == "json"
        # Its own traceback would show the values in hand: passwords, tokens, names of owners.
        else [
            structlog.dev.ConsoleRenderer(
                colors=sys.stderr.isatty(), exception_formatter=structlog.dev.plain_traceback
            )
        ]
    )
    level = getattr(logging, settings.level.upper())
    structlog.configure(
        processors=shared + last,
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=True,
    )
    structlog.contextvars.bind_contextvars(service=service)
    # Libraries log through the standard library; only their warnings matter here.
    logging.basicConfig(
        level=logging.WARNING,
        stream=sys.stderr,
        format="%(asctime)s %(levelname)s %(name)s %(message)s",
        force=True,
    )
    logging.getLogger("pika").setLevel(logging.CRITICAL)  # we report its trouble in our words
    logging.getLogger("pynetdicom").setLevel(logging.CRITICAL)


@contextmanager
def bind_messages(messages: Sequence[Message[Payload]]) -> Iterator[None]:
    """Put the ids of the messages in hand on every log line inside the block."""
    if len(messages) == 1:
        (message,) = messages
        ids: dict[str, Any] = {
            "correlation_id": message.correlation_id,
            "message_id": str(message.id),
            "kind": message.kind,
            "site": message.site,
        }
    else:
        chains = dict.fromkeys(message.correlation_id for message in messages)
        ids = {"correlation_ids": list(chains)[:_SHOWN_CHAINS], "batch": len(messages)}
    with structlog.contextvars.bound_contextvars(**ids):
        yield
