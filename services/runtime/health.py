"""Each service's small HTTP server: is it alive, is it ready, what is it, what has it counted."""

import json
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Lock, Thread
from time import monotonic
from typing import Any

import structlog
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest

from services.runtime.settings import HealthSettings

log = structlog.get_logger(__name__)

Check = Callable[[], dict[str, bool]]

_KEEP_CHECKS_S = 10.0


class HealthServer:
    """Answers ``/healthz`` (200 while every part runs), ``/readyz``, ``/metrics``, ``/about`` and
    ``/checks``. The last asks peers, so its answer is kept for some seconds."""

    def __init__(
        self,
        settings: HealthSettings,
        port: int,
        healthy: Check,
        ready: Check,
        about: Callable[[], dict[str, Any]] = dict,
        checks: Callable[[], list[dict[str, Any]]] = list,
    ) -> None:
        asked = _Kept(checks)

        class Handler(BaseHTTPRequestHandler):
            timeout = 10

            def do_GET(self) -> None:
                if self.path == "/healthz":
                    self._verdict(healthy())
                elif self.path == "/readyz":
                    self._verdict(ready())
                elif self.path == "/metrics":
                    self._answer(200, CONTENT_TYPE_LATEST, generate_latest())
                elif self.path == "/about":
                    self._answer(200, "application/json", json.dumps(about()).encode())
                elif self.path == "/checks":
                    self._answer(200, "application/json", json.dumps(asked.now()).encode())
                else:
                    known = b"expected /healthz, /readyz, /metrics, /about or /checks\n"
                    self._answer(404, "text/plain", known)

            def _verdict(self, parts: dict[str, bool]) -> None:
                status = 200 if all(parts.values()) else 503
                self._answer(status, "application/json", json.dumps(parts).encode())

            def _answer(self, status: int, content_type: str, body: bytes) -> None:
                try:
                    self.send_response(status)
                    self.send_header("Content-Type", content_type)
                    self.send_header("Content-Length", str(len(body)))
                    self.end_headers()
                    self.wfile.write(body)
                except ConnectionError:  # the asker did not wait, and will ask again
                    log.info("health_asker_gone", path=self.path)

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


class _Kept:
    """Asks once at a time, and not again at once."""

    def __init__(self, ask: Callable[[], list[dict[str, Any]]]) -> None:
        self._ask = ask
        self._lock = Lock()
        self._asked_at: float | None = None
        self._answer: list[dict[str, Any]] = []

    def now(self) -> list[dict[str, Any]]:
        with self._lock:
            if self._asked_at is None or monotonic() - self._asked_at > _KEEP_CHECKS_S:
                self._answer, self._asked_at = self._ask(), monotonic()
            return self._answer
