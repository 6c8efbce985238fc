"""A real TLS server before a stand-in: its certificate can be exchanged while it runs."""

from __future__ import annotations

import contextlib
import select
import socket
import socketserver
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

from tests.servers.ports import LOOPBACK

_SERVED = tuple[Path, Path]


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True


class TlsFront:
    """Takes TLS at ``port`` and gives what is inside to a plain port."""

    def __init__(self, inside_port: int) -> None:
        self._inside_port = inside_port
        self._context: ssl.SSLContext | None = None
        front = self

        class Handler(socketserver.BaseRequestHandler):
            def handle(self) -> None:
                with contextlib.suppress(OSError):
                    front._serve(self.request)

        self._server = _Server((LOOPBACK, 0), Handler)
        self.port = int(self._server.server_address[1])

    @contextmanager
    def running(self) -> Iterator[TlsFront]:
        thread = Thread(target=self._server.serve_forever, daemon=True)
        thread.start()
        try:
            yield self
        finally:
            self._server.shutdown()
            self._server.server_close()
            thread.join()

    def show(self, served: _SERVED, client_ca: Path | None = None) -> None:
        """Show this certificate from now on; ask for one that ``client_ca`` has signed."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*served)
        if client_ca is not None:
            context.load_verify_locations(client_ca)
            context.verify_mode = ssl.CERT_REQUIRED
        self._context = context

    def speak_plainly(self) -> None:
        """Answer every hello in plain text."""
        self._context = None

    def _serve(self, plain: socket.socket) -> None:
        if self._context is None:
            plain.recv(1024)
            plain.sendall(b"HTTP/1.1 400 Invented\r\n\r\n")
            return
        with (
            self._context.wrap_socket(plain, server_side=True) as outside,
            socket.create_connection((LOOPBACK, self._inside_port)) as inside,
        ):
            _carry(outside, inside)


def _carry(outside: ssl.SSLSocket, inside: socket.socket) -> None:
    """Carry bytes both ways until one side hangs up."""
    while True:
        ready = [outside] if outside.pending() else select.select([outside, inside], [], [])[0]
        for source, target in ((outside, inside), (inside, outside)):
            if source in ready:
                received = source.recv(65_536)
                if not received:
                    return
                target.sendall(received)
