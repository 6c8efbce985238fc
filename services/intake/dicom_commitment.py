"""Storage commitment as a provider: N-ACTION in, the report out where the station still listens.

A report on the station's own association is sent without waiting for its answer there: the
station may ask for something else meanwhile, or release (PS3.4 J.3.3.1.2 note 1).
"""

from io import BytesIO
from itertools import cycle
from threading import Lock, Timer
from typing import Any
from weakref import WeakKeyDictionary

import structlog
from pydicom.dataset import Dataset
from pynetdicom.dimse_messages import N_EVENT_REPORT_RQ, N_EVENT_REPORT_RSP
from pynetdicom.dimse_primitives import N_EVENT_REPORT
from pynetdicom.dsutils import encode
from pynetdicom.pdu_primitives import P_DATA

from schemas.errors import InvalidInput
from schemas.group import Device, Site
from services.intake.commitment_rules import (
    COMMITMENT_CLASS,
    COMMITMENT_INSTANCE,
    REQUEST_ACTION,
    CommitmentRequest,
    read_request,
)
from services.intake.commitment_store import Owed
from services.intake.commitments import Commitments
from services.intake.dicom_answers import OUT_OF_RESOURCES, PROCESSING_FAILURE, SUCCESS, answer_of
from services.intake.dicom_data_set import read_data_set
from services.intake.dicom_outgoing import is_done
from services.intake.dicom_peers import peer_of
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

_NO_SUCH_INSTANCE, _INVALID_ARGUMENT, _NO_SUCH_ACTION = 0x0112, 0x0115, 0x0123

# A station that releases as soon as it has its answer wants the report elsewhere.
_GRACE_S = 0.5
_FRAGMENT_OVERHEAD_BYTES = 6  # item length, context and control of a fragment (PS3.8 9.3.5)

Answer = tuple[Dataset, Dataset | None]


class CommitmentProvider:
    """Answers stations; knows which reports are on their way on their own associations."""

    def __init__(self, commitments: Commitments) -> None:
        self._commitments = commitments
        self._sent: WeakKeyDictionary[Any, dict[int, Owed]] = WeakKeyDictionary()
        self._message_ids = cycle(range(1, 0x10000))
        self._lock = Lock()

    def act(self, event: Any) -> Answer:
        """Answer one N-ACTION request (handler of EVT_N_ACTION)."""
        site, device = peer_of(event)
        if event.action_type != REQUEST_ACTION:
            return answer_of("N-ACTION", _NO_SUCH_ACTION, "action type: expected 1"), None
        if event.request.RequestedSOPInstanceUID != COMMITMENT_INSTANCE:
            return answer_of("N-ACTION", _NO_SUCH_INSTANCE, f"expected {COMMITMENT_INSTANCE}"), None
        try:
            request = read_request(read_data_set(event, "ActionInformation"))
            self._commitments.take(site, device, request)
        except InvalidInput as error:
            log.warning("commitment_refused", device=device.name, field=error.field)
            comment = f"{error.field}: expected {error.expected}"
            return answer_of("N-ACTION", _INVALID_ARGUMENT, comment), None
        except StoreUnavailable as error:
            log.error("commitment_not_taken", device=device.name, reason=str(error))
            comment = "store unavailable, try again later"
            return answer_of("N-ACTION", OUT_OF_RESOURCES, comment), None
        except Exception:
            log.exception("commitment_not_taken", device=device.name)
            return answer_of("N-ACTION", PROCESSING_FAILURE, "a request we can work with"), None
        later = Timer(_GRACE_S, self._report, (event.assoc, event.context, site, device, request))
        later.daemon = True
        later.start()
        return answer_of("N-ACTION", SUCCESS), None

    def note_message(self, event: Any) -> None:
        """Look for answers to our reports (handler of EVT_DIMSE_RECV)."""
        if not isinstance(event.message, N_EVENT_REPORT_RSP):
            return
        command = event.message.command_set
        with self._lock:
            sent = self._sent.get(event.assoc, {})
            owed = sent.pop(command.get("MessageIDBeingRespondedTo"), None)
        if owed is None or not is_done(command):
            return  # it is due again in a while, on an association of ours
        try:
            self._commitments.delivered(owed)
        except StoreUnavailable as error:
            log.warning("commitment_report_repeated", device=owed.device, reason=str(error))

    def _report(
        self, association: Any, context: Any, site: Site, device: Device, request: CommitmentRequest
    ) -> None:
        try:
            owed = self._commitments.owed(site, device, request)
            if owed is None or not association.is_established:
                return
            event_type, information = self._commitments.report(owed)
            with self._lock:
                sent = self._sent.setdefault(association, {})
                message_id = next(self._message_ids)
            message = _message(message_id, event_type, information, context)
            pdu = _one_pdu(message, context.context_id, association.requestor.maximum_length)
            if pdu is None:
                return  # too long to go at once, and in pieces it could mix with an answer
            with self._lock:
                sent[message_id] = owed
            self._commitments.sent(owed)
            association.dul.send_pdu(pdu)
        except StoreUnavailable as error:
            log.warning("commitment_report_waits", device=device.name, reason=str(error))
        except Exception:
            log.exception("commitment_report_waits", device=device.name)


def _message(message_id: int, event_type: int, information: Dataset, context: Any) -> Any:
    syntax = context.transfer_syntax
    body = encode(information, syntax.is_implicit_VR, syntax.is_little_endian)
    request = N_EVENT_REPORT()
    request.MessageID = message_id
    request.AffectedSOPClassUID = COMMITMENT_CLASS
    request.AffectedSOPInstanceUID = COMMITMENT_INSTANCE
    request.EventTypeID = event_type
    request.EventInformation = BytesIO(body)
    message = N_EVENT_REPORT_RQ()
    message.primitive_to_message(request)
    return message


def _one_pdu(message: Any, context_id: int, most_bytes: int | None) -> Any:
    """Put a whole message into one P-DATA, or give None where the peer takes no such length."""
    fragments = [
        list(fragment)
        for piece in message.encode_msg(context_id, most_bytes or 0)
        for fragment in piece.presentation_data_value_list
    ]
    length = sum(len(data) + _FRAGMENT_OVERHEAD_BYTES for _, data in fragments)
    if most_bytes and length > most_bytes:
        return None
    whole = P_DATA()
    whole.presentation_data_value_list = fragments
    return whole
