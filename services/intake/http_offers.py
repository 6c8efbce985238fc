"""Facts offered over HTTP: each read, kept or refused on its own, with an answer of its own."""

import json
import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import structlog
from pydantic import Field, ValidationError
from sqlalchemy import Connection

from schemas.base import Contract, UtcTime
from schemas.envelope import CorrelationId, Envelope, Kind, Message, Payload, new_id
from schemas.errors import InvalidInput
from schemas.facts import FACTS
from schemas.group import Group, Site
from schemas.messages import invalid_input, load_json, open_envelope
from services.intake.accept import Conflict, Outcome, accept, check_natural_key
from services.intake.count import count_outcomes, word_of
from services.intake.permissions import Holder, NotPermitted, check_permitted, source_of
from services.intake.proofs import Proofs
from services.intake.reauthentication import (
    NOTHING_SHOWN,
    Shown,
    check_signature,
    count_signatures,
    sealed,
)
from services.intake.shared_commit import SharedCommit
from services.runtime import triage
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.outbox import Relay
from services.runtime.store import Store

log = structlog.get_logger(__name__)

_STUDY = re.compile(r"^[0-9.]{1,64}\Z", re.ASCII)
_VERSION = {fact.KIND: fact.VERSION for fact in FACTS}


class Offer(Contract):
    """One fact as a device or person tells it. Site and source follow from the token."""

    kind: Kind
    schema_version: int | None = Field(default=None, ge=1, le=10_000)
    occurred_at: UtcTime
    source_clock: str | None = Field(default=None, max_length=64)
    correlation_id: CorrelationId | None = None
    payload: dict[str, Any]

    EXAMPLES = (
        {
            "kind": "clock_read",
            "occurred_at": "2026-03-02T09:15:00Z",
            "payload": {"device": "generator-1", "device_time": "2026-03-02T09:12:57Z"},
        },
    )


@dataclass(frozen=True, slots=True)
class Answered:
    """The answers to a body of offers, in its order, and the status for all of them."""

    status: int
    answers: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class _Read:
    """An offer as it was read: a message, or what is wrong with it."""

    message: Message[Payload] | None
    error: InvalidInput | None
    body: bytes
    kind: str | None


class OfferDesk:
    """Takes bodies of offers. Safe to use from many threads."""

    def __init__(
        self,
        service: str,
        group: Group,
        store: Store,
        relay: Relay,
        most: int,
        audit: AuditWriter,
    ) -> None:
        self._proofs = Proofs()
        self._service = service
        self._group = group
        self._store = store
        self._commits = SharedCommit(store)
        self._relay = relay
        self._most = most
        self._audit = audit

    def take(
        self,
        site: Site,
        holder: Holder,
        body: bytes,
        address: str | None = None,
        shown: Shown = NOTHING_SHOWN,
    ) -> Answered:
        """Keep every offer of a body that can be kept; return once all that is durable.

        Status 200: all kept or known. 207: some were rejected. 403: the holder may tell none of
        them. 400: the body is no JSON, and is kept for triage. ``shown`` is what the sender
        showed beside the token, for a signature.

        Raises StoreUnavailable: nothing was kept, the sender tries again.
        """
        try:
            offers = load_json(body)
            if not isinstance(offers, list):
                offers = [offers]
            if len(offers) > self._most:
                raise InvalidInput("message", f"{len(offers)} facts", f"at most {self._most}")
        except InvalidInput as error:
            self._keep_for_triage([_Read(None, error, body, None)])
            return Answered(400, [_rejected(error, None)])
        shown = replace(shown, signatures=count_signatures(offers))
        read = [self._read(site, holder, offer, shown) for offer in offers]
        messages = [one.message for one in read if one.message is not None]
        entries = self._entries(read)

        def keep(connection: Connection) -> list[Outcome]:
            kept = accept(connection, self._service, messages, "http")
            triage.keep(connection, entries)
            return kept

        kept = self._commits.run(keep)
        self._relay.wake()
        count_outcomes(messages, kept)
        for one in read:
            if one.error is not None:
                self._say_refused(site, holder, one, one.error, address)
        outcomes = iter(kept)
        answers = []
        for one in read:
            if one.error is not None:
                answers.append(_rejected(one.error, None))
                continue
            outcome = next(outcomes)
            if isinstance(outcome, Conflict):
                answers.append(_rejected(outcome.error, outcome.natural_key))
            else:
                word = word_of(outcome)
                answers.append({"natural_key": outcome.natural_key, "outcome": word})
        return Answered(_status(read, answers), answers)

    def _read(self, site: Site, holder: Holder, offer: Any, shown: Shown = NOTHING_SHOWN) -> _Read:
        composed = self._compose(site, holder, offer)
        body = json.dumps(composed).encode()
        kind = composed["kind"] if composed["kind"] in _VERSION else None
        try:
            try:
                # By way of JSON: strict models take a time as text in JSON only.
                told = Offer.model_validate_json(json.dumps(offer))
            except ValidationError as error:
                raise invalid_input(error, "message") from error
            if told.kind not in _VERSION:
                raise InvalidInput("kind", told.kind, f"one of {', '.join(sorted(_VERSION))}")
            check_permitted(holder, told.kind, told.payload)
            check_signature(holder, told.kind, told.payload, shown, site.name, self._proofs.proves)
            message = sealed(_opened(body))
            check_natural_key(message)
        except InvalidInput as error:
            return _Read(None, error, body, kind)
        return _Read(message, None, body, kind)

    def _compose(self, site: Site, holder: Holder, offer: Any) -> dict[str, Any]:
        """Make the envelope that an offer asks for, also where it breaks the contract, so that a
        person can correct it and replay it."""
        told: dict[str, Any] = offer if isinstance(offer, dict) else {"payload": offer}
        identity = new_id()
        kind = told.get("kind")
        known = _VERSION.get(kind, 1) if isinstance(kind, str) else 1
        version = told.get("schema_version")
        return {
            "id": str(identity),
            "kind": kind if isinstance(kind, str) else None,
            "schema_version": known if version is None else version,
            "group": self._group.name,
            "site": site.name,
            "occurred_at": told.get("occurred_at"),
            "source_clock": told.get("source_clock") or _as_told(told.get("occurred_at")),
            "received_at": datetime.now(UTC).isoformat(),
            "source": source_of(holder).model_dump(mode="json"),
            "correlation_id": told.get("correlation_id") or _correlation(told, identity),
            "causation_id": None,
            "payload": told.get("payload"),
        }

    def _entries(self, read: list[_Read]) -> list[triage.Kept]:
        # What its teller may not say is logged, not kept: a replay would make it a fact.
        return [
            triage.Kept(self._service, "http", one.error, one.body, kind=one.kind)
            for one in read
            if one.error is not None and not isinstance(one.error, NotPermitted)
        ]

    def _keep_for_triage(self, read: list[_Read]) -> None:
        with self._store.begin() as connection:
            triage.keep(connection, self._entries(read))

    def _say_refused(
        self, site: Site, holder: Holder, one: _Read, error: InvalidInput, address: str | None
    ) -> None:
        if isinstance(error, NotPermitted):
            # Not the value: whatever a stranger writes into a fact stays out of the audit.
            reason = f"{error.field}: expected {error.expected}"
            what = f"fact {one.kind}"
            self._audit.refused(
                Refusal("http", what, reason, address, site.name, holder=holder.name)
            )
        log.warning(
            "offer_refused",
            audit=isinstance(error, NotPermitted),
            site=site.name,
            holder=holder.name,
            kind=one.kind,
            field=error.field,
            expected=error.expected,
        )


def _opened(body: bytes) -> Message[Payload]:
    try:
        envelope = Envelope.model_validate_json(body)
    except ValidationError as error:
        raise invalid_input(error, "message") from error
    return open_envelope(envelope)


def _as_told(occurred_at: Any) -> str | None:
    return occurred_at[:64] if isinstance(occurred_at, str) else None


def _correlation(told: dict[str, Any], identity: Any) -> str:
    """Tie facts of one study together; a fact of no study starts its own chain."""
    payload = told.get("payload")
    study = payload.get("study_instance_uid") if isinstance(payload, dict) else None
    fits = isinstance(study, str) and _STUDY.match(study)
    return f"study-{study}" if fits else str(identity)


def _rejected(error: InvalidInput, natural_key: str | None) -> dict[str, Any]:
    return {
        "natural_key": natural_key,
        "outcome": "rejected",
        "field": error.field,
        "value": error.value,
        "expected": error.expected,
    }


def _status(read: list[_Read], answers: list[dict[str, Any]]) -> int:
    if all(answer["outcome"] != "rejected" for answer in answers):
        return 200
    if all(isinstance(one.error, NotPermitted) for one in read):
        return 403
    return 207
