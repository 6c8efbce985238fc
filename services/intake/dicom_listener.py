"""The listener: connections bounded in number, and in time until they ask to associate."""

import gc
import socket
import ssl
import time
from threading import Event, Lock
from typing import Any

import structlog
from pynetdicom.transport import RequestHandler, ThreadedAssociationServer

from services.intake.dicom_places import Places
from services.intake.dicom_receive import AnswerStore, NewFile, StoreReceiver
from services.intake.dicom_stream import Messages, StreamingDul
from services.intake.dicom_tls import (
    handshake,
    is_wrong_handshake,
    presented_certificate_sha256,
)
from services.intake.dicom_wire import Wire
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.metrics import DICOM_REQUESTS
from services.runtime.ports import PortTaken

log = structlog.get_logger(__name__)

_END_S = 10.0
_BACKLOG = 128
_COLLECT_S = 10.0


def listen(setting: str, host: str, port: int) -> socket.socket:
    """Bind a port; several processes may accept from it. Raises PortTaken."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.create_server((host, port), family=family, backlog=_BACKLOG)
    except OSError as error:
        raise PortTaken(setting, host, port, error.strerror or str(error)) from error
    # Of several processes that wake, one gets the connection, and the others must not wait.
    listener.setblocking(False)
    return listener


class StreamingHandler(RequestHandler):  # type: ignore[misc]
    """Makes each association stream its images."""

    server: "StreamingServer"

    def _create_association(self) -> Any:
        association = super()._create_association()
        server = self.server
        # Else a response waits for the acknowledgement of the one before (RFC 896).
        self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        wire = Wire(self.request, server.associate_timeout_s, server.idle_timeout_s)
        news = Event()
        receiver = StoreReceiver(association, wire, server.new_file, server.answer)
        association.dimse = Messages(association, news)
        association.dul = StreamingDul(association.dul, wire, news, receiver)
        association.gomphosis_certificate = presented_certificate_sha256(self.request)
        association.gomphosis_has_place = False
        run = association.run

        def run_and_clean_up() -> None:
            try:
                run()
            except Exception as error:
                # The library refuses some of an odd request's values only here, in many ways.
                if association.is_established:
                    raise
                reason = f"{type(error).__name__}: {error}"
                log.warning("association_ended_early", reason=reason)
            finally:
                association.dul.end(_END_S)
                if association.gomphosis_has_place:
                    server.places.leave()
                server.forget_connection()

        association.run = run_and_clean_up
        return association


class StreamingServer(ThreadedAssociationServer):  # type: ignore[misc]
    """Accepts from a listening socket that it is given.

    ``tls`` makes it speak TLS only; the handshake runs in the connection's own thread.
    """

    def __init__(
        self,
        entity: Any,
        listener: socket.socket,
        *,
        contexts: Any,
        handlers: Any,
        new_file: NewFile,
        answer: AnswerStore,
        places: Places,
        audit: AuditWriter,
        most_connections: int,
        associate_timeout_s: float,
        idle_timeout_s: float,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.new_file = new_file
        self.answer = answer
        self.places = places
        self._audit = audit
        self.associate_timeout_s = associate_timeout_s
        self.idle_timeout_s = idle_timeout_s
        self._listener = listener
        self._tls = tls
        self._most_connections = most_connections
        self._connections = 0
        self._ended = False
        self._collect_at = 0.0
        self._lock = Lock()
        super().__init__(
            entity,
            listener.getsockname(),
            entity.ae_title,
            contexts,
            evt_handlers=handlers,
            request_handler=StreamingHandler,
        )

    @property
    def connections(self) -> int:
        """Count the connections that stand, associated or not."""
        return self._connections

    def server_bind(self) -> None:
        self.socket.close()  # type: ignore[has-type]
        self.socket = self._listener
        self.server_address = self._listener.getsockname()

    def server_activate(self) -> None:
        """Do nothing: it listens since it was bound."""

    def service_actions(self) -> None:
        """Collect what ended associations leave, which is tied in cycles and large.

        pynetdicom does so at every 60th connection, and all threads wait for it each time.
        """
        now = time.monotonic()
        if self._ended and now >= self._collect_at:
            self._ended = False
            self._collect_at = now + _COLLECT_S
            gc.collect()

    def get_request(self) -> tuple[socket.socket, Any]:
        return self._listener.accept()

    def verify_request(self, request: Any, client_address: Any) -> bool:
        del request
        with self._lock:
            if self._connections < self._most_connections:
                self._connections += 1
                return True
        reason = f"expected at most {self._most_connections} connections at once"
        self._refuse(client_address, "connection", reason)
        return False

    def forget_connection(self) -> None:
        with self._lock:
            self._connections -= 1
        self._ended = True

    def process_request(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request(request, client_address)
        except BaseException:  # no thread to be had: the caller closes the connection
            self.forget_connection()
            raise

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            if self._tls is not None:
                request = handshake(self._tls, request, self.associate_timeout_s)
            self.finish_request(request, client_address)  # starts the association's thread
        except OSError as error:
            wrong = self._tls is not None and is_wrong_handshake(error)
            what = "tls handshake" if wrong else None
            self._refuse(client_address, what, f"TLS: {error}" if self._tls else str(error))
            self._give_up(request)
        except Exception:  # noqa: BLE001 - one connection's trouble must not end the listener
            self.handle_error(request, client_address)
            self._give_up(request)

    def handle_error(self, request: Any, client_address: Any) -> None:
        del request
        log.exception("connection_failed", address=str(client_address[0]))

    def _give_up(self, request: Any) -> None:
        self.shutdown_request(request)
        self.forget_connection()

    def _refuse(self, client_address: Any, what: str | None, reason: str) -> None:
        """Say that a connection ends; ``what`` is for the audit, None where nobody was refused."""
        address = str(client_address[0])
        log.warning("connection_refused", audit=True, address=address, reason=reason)
        DICOM_REQUESTS.labels("connection", "refused").inc()
        if what is not None:
            door = "dicom" if self._tls is None else "dicom-tls"
            self._audit.refused(Refusal(door, what, reason, address))
