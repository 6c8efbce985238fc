"""uvicorn in a thread of its own, stopped with the service."""

import asyncio
import socket
from collections.abc import Sequence
from threading import Event, Thread

import structlog
import uvicorn
from fastapi import FastAPI

from services.runtime.ports import PortTaken
from services.runtime.prompt_requests import prompt_requests

log = structlog.get_logger(__name__)

_FINISH_S = 5
REQUEST_WITHIN_S = 30.0
"""The length is invented: a body of the largest size by a line of 300 kbit/s."""


class HttpDoor:
    """Listens from its making on; serves while ``run`` runs.

    ``request_within_s`` bounds how long a client takes to send a request, or to take its answer.
    ``trusted_proxies`` are the addresses whose ``X-Forwarded-For`` and ``-Proto`` are believed.
    Raises PortTaken, naming ``setting``, where the port cannot be had.
    """

    def __init__(
        self,
        app: FastAPI,
        host: str,
        port: int,
        setting: str,
        idle_timeout_s: float,
        at_once: int = 200,
        trusted_proxies: Sequence[str] = (),
        request_within_s: float = REQUEST_WITHIN_S,
    ) -> None:
        self.app = app
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        # Told as TCP, for asyncio sets TCP_NODELAY on such sockets only (its _set_nodelay). Without
        # it, an answer's body waits some 40 ms for the acknowledgement of its head.
        self._socket = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((host, port))
            self._socket.listen(128)
        except OSError as error:
            self._socket.close()
            raise PortTaken(setting, host, port, error.strerror or str(error)) from error
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=prompt_requests(request_within_s),
                log_config=None,
                access_log=False,
                lifespan="off",
                server_header=False,
                timeout_keep_alive=int(idle_timeout_s),
                timeout_graceful_shutdown=_FINISH_S,
                limit_concurrency=at_once,
                proxy_headers=bool(trusted_proxies),
                forwarded_allow_ips=list(trusted_proxies),
            )
        )

    @property
    def port(self) -> int:
        """The port that is listened on, also where the settings leave the choice (0)."""
        return int(self._socket.getsockname()[1])

    def ready(self) -> bool:
        return self._server.started and not self._server.should_exit

    def run(self, stop: Event) -> None:
        """Serve until stopped; requests in hand are answered first."""
        # serve() would take over the signals in the main thread, so it runs in another.
        failed: list[BaseException] = []
        thread = Thread(target=self._serve, args=(failed,), name="http-loop")
        thread.start()
        log.info("http_listens", port=self.port)
        while thread.is_alive() and not stop.wait(0.2):
            continue
        self._server.should_exit = True
        thread.join()
        if failed:
            raise failed[0]

    def close(self) -> None:
        """Let go of the port. Safe to repeat."""
        self._socket.close()

    def _serve(self, failed: list[BaseException]) -> None:
        try:
            asyncio.run(self._server.serve(sockets=[self._socket]))
        except BaseException as error:  # noqa: BLE001 - passed on by run()
            failed.append(error)
