"""The MLLP listener: bounded connections, one thread each, one message at a time on each."""

import socket
import ssl
import time
from ipaddress import ip_address
from threading import Event, Lock, Thread, current_thread
from typing import Final

import structlog

from services.intake.dicom_tls import (
    handshake,
    is_wrong_handshake,
    presented_certificate_sha256,
)
from services.intake.hl7_desk import Answered, Hl7Desk
from services.intake.mllp_frames import BrokenStream, FrameReader, framed
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.ports import PortTaken
from services.runtime.settings import MllpSettings, SettingsError
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

_LOOK_S: Final = 0.25
_RECEIVE_BYTES: Final = 65_536
_HANDSHAKE_S: Final = 5.0
_FORGET_EVERY_S: Final = 3_600.0


class MllpServer:
    """Listens from its making on; serves while ``run`` runs.

    A connection is closed when it was idle, or a block took longer than the idle time-out. One
    from an address that no sender has is closed at once, before a byte of it is read.

    Raises PortTaken, or SettingsError for certificates that cannot be read.
    """

    def __init__(self, settings: MllpSettings, desk: Hl7Desk, audit: AuditWriter) -> None:
        self._settings = settings
        self._desk = desk
        self._audit = audit
        self._tls = _tls_context(settings)
        self._threads: set[Thread] = set()
        self._lock = Lock()
        self._running = False
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((settings.host, settings.port))
            self._socket.listen(settings.max_connections)
        except OSError as error:
            self._socket.close()
            reason = error.strerror or str(error)
            setting = "GOMPHOSIS_INTAKE__MLLP__PORT"
            raise PortTaken(setting, settings.host, settings.port, reason) from error
        self._socket.settimeout(_LOOK_S)

    @property
    def port(self) -> int:
        """The port that is listened on, also where the settings leave the choice (0)."""
        return int(self._socket.getsockname()[1])

    def ready(self) -> bool:
        return self._running

    def run(self, stop: Event) -> None:
        """Serve until stopped; messages in hand are answered first."""
        self._running = True
        log.info("mllp_listens", port=self.port, tls=self._tls is not None)
        forget_at = time.monotonic()
        while not stop.is_set():
            try:
                connection, address = self._socket.accept()
            except TimeoutError:
                if time.monotonic() >= forget_at:
                    self._forget_old()
                    forget_at = time.monotonic() + _FORGET_EVERY_S
                continue
            except OSError as error:  # out of descriptors, or the peer has gone already
                log.warning("mllp_accept_failed", reason=str(error))
                stop.wait(_LOOK_S)
                continue
            self._admit(connection, _plain(str(address[0])), stop)
        self._running = False
        with self._lock:
            threads = list(self._threads)
        for thread in threads:
            thread.join()

    def close(self) -> None:
        """Let go of the port. Safe to repeat."""
        self._socket.close()

    def _admit(self, connection: socket.socket, address: str, stop: Event) -> None:
        if not self._desk.devices_at(address):
            self._refuse(address, "address: expected that of a listed sender")
            connection.close()
            return
        with self._lock:
            if len(self._threads) >= self._settings.max_connections:
                most = self._settings.max_connections
                self._refuse(address, f"expected at most {most} connections at once")
                connection.close()
                return
            thread = Thread(
                target=self._serve, args=(connection, address, stop), name=f"mllp-{address}"
            )
            self._threads.add(thread)
        thread.start()

    def _refuse(self, address: str, reason: str) -> None:
        log.warning("connection_refused", audit=True, address=address, reason=reason)
        self._audit.refused(Refusal("mllp", "connection", reason, address))

    def _serve(self, connection: socket.socket, address: str, stop: Event) -> None:
        try:
            secured, certificate = self._secure(connection, address)
            with secured:
                self._converse(secured, address, certificate, stop)
        except OSError as error:  # TLS errors too
            log.info("connection_lost", address=address, reason=str(error))
        except Exception:
            # Ours to mend; the other connections go on.
            log.exception("connection_failed", address=address)
        finally:
            connection.close()
            with self._lock:
                self._threads = {one for one in self._threads if one is not current_thread()}

    def _secure(self, connection: socket.socket, address: str) -> tuple[socket.socket, str | None]:
        """Shake hands in the connection's own thread: a stalled peer holds up nobody else."""
        if self._tls is None:
            return connection, None
        try:
            secured = handshake(self._tls, connection, _HANDSHAKE_S)
        except OSError as error:
            if is_wrong_handshake(error):
                log.warning("handshake_refused", audit=True, address=address, reason=str(error))
                self._audit.refused(Refusal("mllp", "tls handshake", f"TLS: {error}", address))
            raise
        return secured, presented_certificate_sha256(secured)

    def _converse(
        self, connection: socket.socket, address: str, certificate: str | None, stop: Event
    ) -> None:
        connection.settimeout(_LOOK_S)
        reader = FrameReader(self._settings.max_message_bytes)
        deadline = time.monotonic() + self._settings.idle_timeout_s
        while not stop.is_set():
            if time.monotonic() > deadline:
                log.info("connection_idle", address=address, within_a_block=reader.begun)
                return
            try:
                received = connection.recv(_RECEIVE_BYTES)
            except TimeoutError:
                continue
            if not received:
                return
            was_inside = reader.begun
            try:
                messages = reader.feed(received)
            except BrokenStream as error:
                self._reply(connection, self._desk.refuse_stream(address, error))
                return
            for message in messages:
                answered = self._desk.take(address, message, certificate)
                self._reply(connection, answered)
                if answered.close:
                    return
            if messages or (reader.begun and not was_inside):
                # From here a whole block must come in time, however slowly its bytes drip.
                deadline = time.monotonic() + self._settings.idle_timeout_s

    @staticmethod
    def _reply(connection: socket.socket, answered: Answered) -> None:
        connection.settimeout(_HANDSHAKE_S)
        # In one piece: apart, the second would wait for a delayed acknowledgement of the first.
        connection.sendall(b"".join(framed(message) for message in answered.messages))
        connection.settimeout(_LOOK_S)

    def _forget_old(self) -> None:
        try:
            self._desk.forget_old()
        except StoreUnavailable as error:
            log.warning("mllp_housekeeping_waits", reason=str(error))


def _plain(address: str) -> str:
    """Give an IPv4 address as such, also where a socket of both families maps it into IPv6."""
    mapped = getattr(ip_address(address), "ipv4_mapped", None)
    return address if mapped is None else str(mapped)


def _tls_context(settings: MllpSettings) -> ssl.SSLContext | None:
    if settings.tls_certificate is None or settings.tls_key is None:
        if settings.tls_certificate or settings.tls_key or settings.tls_ca:
            raise SettingsError(
                "setting GOMPHOSIS_INTAKE__MLLP__TLS_CERTIFICATE: expected it together with "
                "GOMPHOSIS_INTAKE__MLLP__TLS_KEY"
            )
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(settings.tls_certificate, settings.tls_key)
        if settings.tls_ca is not None:
            context.load_verify_locations(settings.tls_ca)
            context.verify_mode = ssl.CERT_REQUIRED
    except (OSError, ssl.SSLError) as error:
        raise SettingsError(
            f"setting GOMPHOSIS_INTAKE__MLLP__TLS_CERTIFICATE: expected a certificate, its key and "
            f"a CA in PEM that can be read ({error})"
        ) from error
    return context
