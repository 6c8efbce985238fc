"""HL7 v2 messages taken in: who sends, known or new, kept or refused, and answered after that."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

import structlog
from pydantic import ValidationError

from schemas.errors import InvalidInput
from schemas.group import Device, DeviceKind, Group, Site
from schemas.mappings.record_codes import RecordCodes
from schemas.messages import invalid_input
from services.intake import record_store
from services.intake.count import count_outcomes
from services.intake.hl7_answers import Verdict, answers, verdict_of
from services.intake.hl7_errors import ErrorCode, Hl7Refused, Place
from services.intake.hl7_message import Segment, header_of, read_message
from services.intake.hl7_reading import read_facts
from services.intake.mllp_frames import BrokenStream
from services.intake.record_facts import Contradicted, keep_all, record_message
from services.runtime import triage
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.outbox import Relay
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

ORIGIN = "hl7"


@dataclass(frozen=True, slots=True)
class Answered:
    """What goes back to the sender, and whether the line is closed after it."""

    messages: tuple[bytes, ...]
    close: bool = False


@dataclass(frozen=True, slots=True)
class _Sender:
    site: Site
    device: Device


def _now() -> datetime:
    return datetime.now(UTC)


class Hl7Desk:
    """Takes messages. Safe to use from many threads."""

    def __init__(
        self,
        service: str,
        group: Group,
        store: Store,
        relay: Relay,
        codes: RecordCodes,
        audit: AuditWriter,
        character_set_when_none: str = "ASCII",
        now: Callable[[], datetime] = _now,
    ) -> None:
        self._service = service
        self._group = group
        self._store = store
        self._relay = relay
        self._codes = codes
        self._audit = audit
        self._character_set_when_none = character_set_when_none
        self._now = now

    def devices_at(self, address: str) -> list[Device]:
        """List the records that may call from an address."""
        return [
            sender.device
            for listed in self._codes.senders
            if (sender := self._device(listed.site, listed.device)).device.is_at(address)
        ]

    def take(self, address: str, body: bytes, certificate_sha256: str | None = None) -> Answered:
        """Keep the facts of a message, all or none, and give the answers to it.

        Whatever cannot be used is in triage before its answer is given. Where the store cannot
        be written the answer is 'reject', nothing is kept, and the sender sends again.
        """
        header: Segment | None = None
        try:
            header = header_of(body)
            if header.text(9) == "ACK":
                log.info("acknowledgement_heard", control_id=header.text(10))
                return Answered(())
            sender = self._sender(header, address, certificate_sha256)
        except Hl7Refused as error:
            log.warning("message_refused", audit=True, address=address, field=str(error.place))
            self._note_stranger(header, address, certificate_sha256, error)
            made = answers(header, Verdict.REJECT, [error], self._now())
            return Answered(tuple(made), close=True)
        try:
            refusal = self._take_from(sender, header, body)
        except StoreUnavailable as error:
            log.error("message_not_taken", reason=str(error))
            refusal = self._trouble("a store that can be written; send the message again")
        return Answered(tuple(self._answer(header, refusal)))

    def refuse_stream(self, address: str, error: BrokenStream) -> Answered:
        """Answer a block that cannot be read, where its header tells whom to answer."""
        log.warning("stream_refused", audit=True, address=address, expected=error.expected)
        try:
            header = header_of(error.head)
        except Hl7Refused:
            return Answered((), close=True)
        refusal = Hl7Refused(Place("MSH"), error.value, error.expected, ErrorCode.INTERNAL)
        return Answered(tuple(self._answer(header, refusal)), close=True)

    def forget_old(self) -> None:
        """Forget old control ids (StoreUnavailable)."""
        with self._store.begin() as connection:
            record_store.forget_messages(connection, self._now(), record_store.KEPT_FOR)

    def _note_stranger(
        self,
        header: Segment | None,
        address: str,
        certificate_sha256: str | None,
        error: Hl7Refused,
    ) -> None:
        def claimed(application: int, facility: int) -> str | None:
            if header is None:
                return None
            return f"{header.text(application)}^{header.text(facility)}"

        self._audit.refused(
            Refusal(
                "mllp",
                "message",
                f"{error.place}: expected {error.expected}",
                address,
                called=claimed(5, 6),
                calling=claimed(3, 4),
                certificate_sha256=certificate_sha256,
            )
        )

    def _answer(self, header: Segment | None, refusal: Hl7Refused | None) -> list[bytes]:
        refusals = [] if refusal is None else [refusal]
        return answers(header, verdict_of(refusal), refusals, self._now())

    def _sender(self, header: Segment, address: str, certificate_sha256: str | None) -> _Sender:
        application, facility = header.text(3), header.text(4)
        listed = self._codes.sender(application, facility)
        sender = None if listed is None else self._device(listed.site, listed.device)
        if sender is None or not sender.device.is_at(address):
            value = f"{application}^{facility} from {address}"
            expected = "a sender of this group, calling from its address"
            raise Hl7Refused(Place("MSH", 3), value, expected, ErrorCode.UNKNOWN_KEY)
        wanted = sender.device.certificate_sha256
        if wanted is not None and certificate_sha256 != wanted:
            expected = f"the certificate of {sender.device.name}"
            raise Hl7Refused(Place("MSH", 3), application, expected, ErrorCode.UNKNOWN_KEY)
        return sender

    def _device(self, site_name: str, device_name: str) -> _Sender:
        site = self._group.site(site_name)
        device = site.device(device_name)
        if device is None or device.kind is not DeviceKind.RECORD:
            raise InvalidInput("senders.device", device_name, "a device of kind record")
        return _Sender(site, device)

    def _take_from(self, sender: _Sender, header: Segment, body: bytes) -> Hl7Refused | None:
        """Keep or refuse a message of a known sender; None where it was kept."""
        control_id = header.text(10)[: record_store.LONGEST_CONTROL_ID]
        key = (sender.site.name, sender.device.name, control_id, hashlib.sha256(body).hexdigest())
        with self._store.read() as connection:
            taken = record_store.was_taken(connection, *key)
        if taken:
            log.info("message_known", control_id=control_id, device=sender.device.name)
            return None
        try:
            self._keep(sender, body, key)
        except StoreUnavailable:
            raise
        except Hl7Refused as error:
            refusal = error
        except Contradicted as contradiction:
            refusal = Hl7Refused(
                Place(header.name, 10),
                f"{contradiction.error.field} {contradiction.error.value}",
                contradiction.error.expected,
                ErrorCode.DUPLICATE_KEY,
            )
        except ValidationError as error:
            wrong = invalid_input(error, "fact")
            refusal = Hl7Refused(
                Place(header.name, 9), wrong.value, f"{wrong.field}: {wrong.expected}"
            )
        except InvalidInput as error:
            refusal = Hl7Refused(
                Place(header.name, 9), error.value, f"{error.field}: {error.expected}"
            )
        except Exception as error:
            # One message that we cannot use must not close the line for the others.
            log.exception("message_failed", control_id=control_id)
            refusal = self._trouble(f"a message that we can use ({type(error).__name__})")
        else:
            return None
        self._refuse(sender, header, body, key, refusal, known=taken is not None)
        return refusal

    def _keep(self, sender: _Sender, body: bytes, key: tuple[str, str, str, str]) -> None:
        message = read_message(body, self._character_set_when_none)
        read = read_facts(message, self._codes, sender.site)
        if len(message.header.text(10)) > record_store.LONGEST_CONTROL_ID:
            expected = f"at most {record_store.LONGEST_CONTROL_ID} characters"
            raise Hl7Refused(Place("MSH", 10), "more", expected, ErrorCode.DATA_TYPE)
        messages = [
            record_message(
                self._group, sender.site, sender.device, fact, read.occurred_at, read.source_clock
            )
            for fact in read.facts
        ]
        with self._store.begin() as connection:
            offered, outcomes = keep_all(connection, self._service, messages, ORIGIN)
            record_store.remember_message(connection, *key, self._now(), taken=True)
        self._relay.wake()
        count_outcomes(offered, outcomes)
        log.info(
            "message_taken",
            control_id=key[2],
            site=sender.site.name,
            device=sender.device.name,
            facts=len(offered),
            not_ours=read.not_ours,
        )

    def _refuse(
        self,
        sender: _Sender,
        header: Segment,
        body: bytes,
        key: tuple[str, str, str, str],
        refusal: Hl7Refused,
        *,
        known: bool,
    ) -> None:
        log.warning(
            "message_kept_for_triage",
            control_id=key[2],
            site=sender.site.name,
            device=sender.device.name,
            field=str(refusal.place),
            again=known,
        )
        with self._store.begin() as connection:
            if not known:  # a sender repeats what was refused: one entry is enough
                kind = "_".join(filter(None, (header.text(9), header.text(9, 2)))).lower()[:40]
                entry = triage.Kept(self._service, ORIGIN, refusal, body, kind or None)
                triage.keep(connection, [entry])
            record_store.remember_message(connection, *key, self._now(), taken=False)

    @staticmethod
    def _trouble(expected: str) -> Hl7Refused:
        return Hl7Refused(Place("MSH", 10), "", expected, ErrorCode.INTERNAL)
