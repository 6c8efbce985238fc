"""The door of every web server here, over real sockets: prompt, and patient with nobody."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event, Thread

import httpx
from fastapi import FastAPI

from services.runtime.http_server import HttpDoor
from tests.servers.polling import wait_until


@contextmanager
def open_door() -> Iterator[HttpDoor]:
    app = FastAPI()

    @app.get("/much")
    def much() -> str:
        return "x" * 30_000_000

    @app.get("/little")
    def little() -> str:
        return "x"

    door = HttpDoor(app, "127.0.0.1", 0, "test", idle_timeout_s=60.0, request_within_s=0.5)
    stop = Event()
    serving = Thread(target=door.run, args=(stop,))
    serving.start()
    try:
        wait_until(door.ready, 30, "the door to listen")
        yield door
    finally:
        stop.set()
        serving.join()
        door.close()


def test_no_answer_waits_for_the_acknowledgement_of_its_own_head() -> None:
    with open_door() as door, httpx.Client(base_url=f"http://127.0.0.1:{door.port}") as client:
        # when
        assert client.get("/little").status_code == 200

        # then: the connection is kept, and sends small pieces at once
        (connection,) = door._server.server_state.connections
        kept = connection.transport.get_extra_info("socket")
        assert kept.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


def test_a_client_that_sends_slowly_or_takes_nothing_is_let_go() -> None:
    with open_door() as door:
        for sent in (
            b"",
            b"GET / HTTP/1.1\r\nHost: x\r\n",
            b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n\r\nabc",
        ):
            with socket.create_connection(("127.0.0.1", door.port), timeout=30) as client:
                client.sendall(sent)
                try:
                    received = client.recv(1)
                    while received:
                        received = client.recv(65_536)
                except ConnectionResetError:
                    pass
        with socket.socket() as client:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
            client.settimeout(30)
            client.connect(("127.0.0.1", door.port))
            client.sendall(b"GET /much HTTP/1.1\r\nHost: x\r\n\r\n")
            assert client.recv(1) == b"H"
            connections = door._server.server_state.connections
            wait_until(lambda: not connections, 30, "the door to let a client go")
