"""Each service's small HTTP server: is it alive, is it ready, what has it counted."""

import json
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread

from prometheus_client import CONTENT_TYPE_LATEST, generate_latest

from services.runtime.settings import HealthSettings

Check = Callable[[], dict[str, bool]]


class HealthServer:
    """Answers ``/healthz`` (200 while every part runs), ``/readyz`` and ``/metrics``."""

    def __init__(self, settings: HealthSettings, port: int, healthy: Check, ready: Check) -> None:
        class Handler(BaseHTTPRequestHandler):
            timeout = 10

            def do_GET(self) -> None:
                if self.path == "/healthz":
                    self._verdict(healthy())
                elif self.path == "/readyz":
                    self._verdict(ready())
                elif self.path == "/metrics":
                    self._answer(200, CONTENT_TYPE_LATEST, generate_latest())
                else:
                    self._answer(404, "text/plain", b"expected /healthz, /readyz or /metrics\n")

            def _verdict(self, parts: dict[str, bool]) -> None:
                status = 200 if all(parts.values()) else 503
                self._answer(status, "application/json", json.dumps(parts).encode())

            def _answer(self, status: int, content_type: str, body: bytes) -> None:
                self.send_response(status)
                self.send_header("Content-Type", content_type)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002
                """Stay quiet: probes come every few seconds."""

        self._server = ThreadingHTTPServer((settings.host, port), Handler)
        self._server.daemon_threads = True
        self._thread = Thread(target=self._server.serve_forever, name="health", daemon=True)

    @property
    def port(self) -> int:
        return int(self._server.server_address[1])

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
