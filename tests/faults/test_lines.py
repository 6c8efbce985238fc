"""The lines of a campaign: each fault of the network is really made, and really healed."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import suppress

import pytest

from tests.faults.lines import Lines
from tests.servers.ports import LOOPBACK

MESSAGE = b"one whole message (invented)"
PATIENCE_S = 20.0
A_MOMENT_S = 0.2


class Echo:
    """A server that gives back what it is given, and keeps it."""

    def __init__(self) -> None:
        self._listener = socket.create_server((LOOPBACK, 0))
        self.port = int(self._listener.getsockname()[1])
        self.got = b""
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                client, _address = self._listener.accept()
                threading.Thread(target=self._echo, args=(client,), daemon=True).start()

    def _echo(self, client: socket.socket) -> None:
        with suppress(OSError), client:
            while data := client.recv(4096):
                self.got += data
                client.sendall(data)

    def close(self) -> None:
        self._listener.close()


@pytest.fixture
def echo() -> Iterator[Echo]:
    one = Echo()
    yield one
    one.close()


@pytest.fixture
def lines() -> Iterator[Lines]:
    one = Lines(seed=1)
    yield one
    one.close()


def dial(port: int) -> socket.socket:
    return socket.create_connection((LOOPBACK, port), timeout=PATIENCE_S)


def read(client: socket.socket, length: int) -> bytes:
    got = b""
    while len(got) < length:
        data = client.recv(length - len(got))
        if not data:
            break
        got += data
    return got


def test_a_line_carries_what_it_is_given_both_ways(lines: Lines, echo: Echo) -> None:
    body = MESSAGE * 100_000
    with dial(lines.open("x", echo.port)) as client:
        sender = threading.Thread(target=client.sendall, args=(body,))
        sender.start()
        assert read(client, len(body)) == body
        sender.join()


def test_a_cut_comes_in_the_middle_of_a_message(lines: Lines, echo: Echo) -> None:
    with dial(lines.open("x", echo.port)) as client:
        client.sendall(MESSAGE)
        assert read(client, len(MESSAGE)) == MESSAGE
        lines.cut("x", 1)

        client.sendall(MESSAGE)

        with suppress(ConnectionResetError):
            assert client.recv(4096) == b""
    assert lines.told("x")["cuts"] == 1
    assert echo.got in {MESSAGE, MESSAGE + MESSAGE[: len(MESSAGE) // 2]}
    assert echo.got != MESSAGE + MESSAGE


def test_a_cut_waits_for_connections_that_are_still_to_come(lines: Lines, echo: Echo) -> None:
    port = lines.open("x", echo.port)
    lines.cut("x", 1)
    with dial(port) as client, suppress(ConnectionResetError):
        client.sendall(MESSAGE)
        assert client.recv(4096) == b""
    assert lines.told("x")["cuts"] == 1
    with dial(port) as client:
        client.sendall(MESSAGE)
        assert read(client, len(MESSAGE)) == MESSAGE


def test_a_stalled_line_carries_nothing_until_it_is_healed(lines: Lines, echo: Echo) -> None:
    with dial(lines.open("x", echo.port)) as client:
        lines.stall("x", on=True)
        client.sendall(MESSAGE)
        client.settimeout(A_MOMENT_S)
        with pytest.raises(TimeoutError):
            client.recv(4096)

        lines.stall("x", on=False)

        client.settimeout(PATIENCE_S)
        assert read(client, len(MESSAGE)) == MESSAGE


def test_a_line_that_refuses_cuts_all_and_lets_nobody_in(lines: Lines, echo: Echo) -> None:
    port = lines.open("x", echo.port)
    with dial(port) as client:
        client.sendall(MESSAGE)
        assert read(client, len(MESSAGE)) == MESSAGE
        lines.refuse("x", on=True)
        with suppress(ConnectionResetError):
            assert client.recv(4096) == b""
    with suppress(ConnectionResetError), dial(port) as client:
        assert client.recv(4096) == b""

    lines.refuse("x", on=False)

    with dial(port) as client:
        client.sendall(MESSAGE)
        assert read(client, len(MESSAGE)) == MESSAGE


def test_a_line_leads_to_whoever_answers(lines: Lines, echo: Echo) -> None:
    with socket.create_server((LOOPBACK, 0)) as gone:
        nobody = int(gone.getsockname()[1])
    port = lines.open("x", nobody, echo.port)
    for _ in range(4):
        with dial(port) as client:
            client.sendall(MESSAGE)
            assert read(client, len(MESSAGE)) == MESSAGE
