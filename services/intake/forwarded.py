"""What a site's own node sends on: whole messages as it has kept them, so each is known by its id,
its source and its natural key, however often it comes."""

from collections.abc import Sequence
from typing import Any, Final

import structlog
from pydantic_core import to_json

from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import DocumentStored, ImageStored
from schemas.group import Group, Site
from schemas.messages import load_json, parse
from services.intake.accept import Conflict, Outcome, accept, check_natural_key
from services.intake.count import count_outcomes, word_of
from services.intake.http_offers import Answered
from services.intake.worker import check_offered
from services.runtime import triage
from services.runtime.outbox import Relay
from services.runtime.store import Store

log = structlog.get_logger(__name__)

MOST_FACTS: Final = 1_000
"""Of one body. Invented."""

_DESKS: Final = frozenset(
    {
        "charges_released",
        "charge_exception_decided",
        "charge_exception_countersigned",
        "note_amended",
        "note_released",
    }
)
"""What people decide at the desks of charges and notes, which no node has: whoever got hold of its
token shall not release a charge. Signatures are refused with the offers."""


class ForwardedDesk:
    """Takes bodies of a node's messages. Safe to use from many threads."""

    def __init__(self, service: str, group: Group, store: Store, relay: Relay) -> None:
        self._service = service
        self._group = group
        self._store = store
        self._relay = relay

    def take(self, site: Site, body: bytes) -> Answered:
        """Keep every fact of a body that can be kept, the others in triage, where a person can
        correct and replay them; return once all that is durable, with an answer for each.

        Status 200: all kept or known. 207: some were rejected. 400: the body is no list of so many
        messages; nothing of it was kept. Raises StoreUnavailable: the node sends it again.
        """
        try:
            told = load_json(body)
            if not isinstance(told, list) or len(told) > MOST_FACTS:
                raise InvalidInput("message", type(told).__name__, f"a list, {MOST_FACTS} at most")
        except InvalidInput as error:
            return Answered(400, [_rejected(error)])
        read = [self._read(site, one) for one in told]
        messages = [one for one in read if isinstance(one, Message)]
        with self._store.begin() as connection:
            kept = accept(connection, self._service, messages, "bus")
            triage.keep(connection, [one for one in read if isinstance(one, triage.Kept)])
        self._relay.wake()
        count_outcomes(messages, kept)
        answers = _answers(read, kept)
        for answer in answers:
            if answer["outcome"] == "rejected":
                log.warning("forwarded_fact_refused", site=site.name, **answer)
        refused = any(answer["outcome"] == "rejected" for answer in answers)
        return Answered(207 if refused else 200, answers)

    def _read(self, site: Site, told: Any) -> Message[Payload] | triage.Kept:
        body = to_json(told)
        try:
            message = parse(body)
            check_offered(self._group, message)
            check_natural_key(message)
            if message.site != site.name:
                raise InvalidInput("site", message.site, f"{site.name}, where this node stands")
            if message.kind in _DESKS:
                raise InvalidInput("kind", message.kind, "what a person tells to the group itself")
            if isinstance(message.payload, ImageStored | DocumentStored):
                raise InvalidInput("kind", message.kind, "its file by DICOM, which makes the fact")
        except InvalidInput as error:
            # As if it had come by the bus: its body is a message, and is replayed like one.
            return triage.Kept(self._service, "bus", error, body)
        return message


def _answers(
    read: Sequence[Message[Payload] | triage.Kept], kept: Sequence[Outcome]
) -> list[dict[str, Any]]:
    outcomes = iter(kept)
    answers = []
    for one in read:
        if isinstance(one, triage.Kept):
            answers.append(_rejected(one.error))
            continue
        outcome = next(outcomes)
        if isinstance(outcome, Conflict):
            answers.append(_rejected(outcome.error))
        else:
            answers.append({"outcome": word_of(outcome)})
    return answers


def _rejected(error: InvalidInput) -> dict[str, Any]:
    return {"outcome": "rejected", "field": error.field, "expected": error.expected}
