"""pynetdicom's listener and upper layer, without their polling and bounded in every direction.

pynetdicom's two threads of an association look for work every millisecond; here they sleep until
there is some. Messages are read by ``StoreReceiver``: images go from there straight to the disk.
"""

import os
from io import BytesIO
from queue import Queue
from threading import Event, Lock
from typing import Any

import structlog
from pynetdicom.dimse import DIMSEServiceProvider
from pynetdicom.dimse_messages import DIMSEMessage
from pynetdicom.dul import DULServiceProvider
from pynetdicom.fsm import InvalidEventError

from services.intake.dicom_command import ProtocolViolation
from services.intake.dicom_receive import StoreReceiver
from services.intake.dicom_wire import PduTooLong, Stalled, Wire, WireError

log = structlog.get_logger(__name__)

_MOST_IDENTIFIER_BYTES = 1_000_000
# How soon a change is seen that wakes nobody: a timer of pynetdicom's, an end from outside.
_POLL_S = 0.2

# States of PS3.8 table 9-10: association established; response to a release awaited, or due;
# waiting for the transport connection to close.
_ESTABLISHED, _CLOSING = "Sta6", "Sta13"
_WAITING = frozenset({"Sta2", "Sta3", _ESTABLISHED, "Sta7", "Sta8"})


class _Identifier(BytesIO):
    """Stands where pynetdicom keeps a message's data set, and has an end."""

    def write(self, data: Any) -> int:
        if self.tell() + len(data) > _MOST_IDENTIFIER_BYTES:
            raise ValueError(f"expected an identifier of at most {_MOST_IDENTIFIER_BYTES} bytes")
        return super().write(data)


class Messages(DIMSEServiceProvider):  # type: ignore[misc]
    """The messages that pynetdicom serves: all but images."""

    def __init__(self, association: Any, news: Event) -> None:
        super().__init__(association)
        self.message: Any
        self._news = news

    def receive_primitive(self, primitive: Any) -> None:
        if self.message is None:
            self.message = DIMSEMessage()
            self.message.data_set = _Identifier()
        super().receive_primitive(primitive)
        self._news.set()

    def get_msg(self, block: bool = False) -> Any:
        if not block:  # the association's own loop, which would come again in 1 ms
            self._news.wait(_POLL_S)
            self._news.clear()
        return super().get_msg(block)


class _Announced(Queue[Any]):
    """A queue that tells when something was put into it."""

    def __init__(self, news: Event) -> None:
        super().__init__()
        self._news = news

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        super().put(item, block, timeout)
        self._news.set()


class _Waker:
    """A descriptor that can be polled, and made readable from any thread."""

    def __init__(self) -> None:
        self.descriptor, self._writes = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._lock = Lock()
        self._open = True

    def wake(self) -> None:
        with self._lock:
            if self._open:
                try:
                    os.write(self._writes, b"!")
                except BlockingIOError:
                    return  # full: it is readable already

    def sleep_again(self) -> None:
        try:
            os.read(self.descriptor, 4096)
        except BlockingIOError:
            return

    def close(self) -> None:
        with self._lock:
            if self._open:
                self._open = False
                os.close(self.descriptor)
                os.close(self._writes)


class StreamingDul(DULServiceProvider):  # type: ignore[misc]
    """The upper layer of one association: sleeps until the peer or we have something to say."""

    def __init__(self, given: Any, wire: Wire, news: Event, receiver: StoreReceiver) -> None:
        super().__init__(given.assoc)
        self.artim_timer, self._idle_timer = given.artim_timer, given._idle_timer
        self.event_queue, self.socket = given.event_queue, given.socket
        self.socket.recv = wire.recv
        self.to_user_queue = _Announced(news)
        self._wire = wire
        self._receiver = receiver
        self._waker = _Waker()
        self._broken_off = False

    @property
    def is_idle(self) -> bool:
        """Whether no message is on its way in or out."""
        return self._receiver.is_idle and self.to_provider_queue.empty()

    def send_pdu(self, primitive: Any) -> None:
        super().send_pdu(primitive)
        self._waker.wake()

    def idle_timer_expired(self) -> bool:
        if self._receiver.is_answering:  # it is we who take our time
            self._idle_timer.restart()
        return bool(super().idle_timer_expired())

    def run_reactor(self) -> None:
        try:
            super().run_reactor()
        except InvalidEventError as error:
            # We broke off while an answer was still to be sent: nobody waits for it any more.
            log.warning("association_ended_early", reason=str(error))
        except Exception as error:
            # The library refuses an odd request only after its state machine has begun with it, in
            # many ways.
            is_established = self.state_machine.current_state == _ESTABLISHED
            if is_established and not isinstance(error, ValueError):
                raise
            log.warning("association_ended_early", reason=f"{type(error).__name__}: {error}")
            self._wire.cut()
        finally:
            self._receiver.close()
            # Else the association would wait for its time-out, and hold its place as long.
            self.to_user_queue.put(None)

    def end(self, timeout_s: float) -> None:
        """See to it that the thread ends, whatever the peer does; give all descriptors back."""
        self._kill_thread = True
        self._wire.cut()
        self._waker.wake()
        if self.is_alive():
            self.join(timeout_s)
        self._waker.close()
        self._wire.close()

    def _is_transport_event(self) -> bool:
        state = self.state_machine.current_state
        if state == _CLOSING:
            self._wire.close_down()
            if self._broken_off:  # what is still to come makes no sense
                self.socket.close()
                return True
        if state not in _WAITING:
            return bool(super()._is_transport_event())
        while not self._must_look_up():
            if not self._wire.wait(self._waker.descriptor, _POLL_S):
                self._waker.sleep_again()
                return False
            if state != _ESTABLISHED or not self._take_messages():
                self._read_pdu_data()
                return True
            self._idle_timer.restart()
        return False

    def _must_look_up(self) -> bool:
        return (
            self._kill_thread
            or self.socket.socket is None
            or not self.event_queue.empty()
            or not self.to_provider_queue.empty()
        )

    def _take_messages(self) -> bool:
        """Take one PDU of messages; say False where the next PDU is another."""
        self._wire.open_up()
        try:
            return self._receiver.take_pdu()
        except (ProtocolViolation, Stalled, PduTooLong) as error:
            self._broken_off = True
            log.warning(
                "association_broken_off",
                reason=str(error),
                address=str(self.assoc.requestor.address),
            )
            self.event_queue.put("Evt19")  # invalid PDU: we send an A-ABORT
        except WireError:
            self.event_queue.put("Evt17")  # the connection is gone
        return True
