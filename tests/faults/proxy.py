"""TCP lines between the program and what it talks to, which cut, stall, slow down and refuse.

``python -m tests.faults.proxy SEED`` reads one JSON object a line from its input and answers each
with one; ``lines.Lines`` is the other end. It is a process of its own with one loop, since it
carries every byte of the deployment::

    {"do": "open", "line": "http", "to": [8080, 8081]}    listen; lead to one that answers
    {"do": "cut", "line": "database", "count": 3, "within": 4}    cut so many connections, each in
        the middle of one of its next messages; where fewer are open, those that come next
    {"do": "refuse", "line": "database", "on": true}    cut all, and let nobody in
    {"do": "stall", "line": "database", "on": true}     carry nothing; later all of it flows
    {"do": "slow", "line": "database", "delay_s": 0.05}    hold each piece so long; 0: no more
"""

from __future__ import annotations

import contextlib
import heapq
import json
import os
import random
import selectors
import socket
import struct
import sys
import time
from dataclasses import dataclass, field
from typing import Any

LOOPBACK = "127.0.0.1"
RESET = struct.pack("ii", 1, 0)  # SO_LINGER of 0 s: the close is a reset, as after a crash
CHUNK = 65_536
ASK_AGAIN_S = 0.002


@dataclass(eq=False)
class Line:
    """A port of ours and where it leads: to any of some ports, as a balancer of loads does."""

    listener: socket.socket
    to: list[int]
    refuses: bool = False
    stalled: bool = False
    delay_s: float = 0.0
    pairs: list[Pair] = field(default_factory=list)
    cuts: int = 0
    to_come: int = 0
    within: int = 1


@dataclass(eq=False)
class Pair:
    """A connection. ``messages_left``: it is cut in the middle of the last of so many."""

    line: Line
    ends: tuple[socket.socket, socket.socket]
    ways: list[Way] = field(default_factory=list)
    messages_left: int | None = None
    open: bool = True


@dataclass(eq=False)
class Way:
    """One direction of a connection: what was read and is not written yet."""

    pair: Pair
    source: socket.socket
    sink: socket.socket
    waiting: bytearray = field(default_factory=bytearray)
    watched: bool = False
    ended: bool = False


class Switchboard:
    """All lines in one loop."""

    def __init__(self, seed: int) -> None:
        self._selector = selectors.DefaultSelector()
        self._lines: dict[str, Line] = {}
        self._random = random.Random(seed)
        self._later: list[tuple[float, int, Way]] = []
        self._put_off_so_far = 0
        self._told = b""

    def run(self) -> None:
        """Carry and obey until the input ends."""
        os.set_blocking(sys.stdin.fileno(), False)
        self._selector.register(sys.stdin, selectors.EVENT_READ, self._listen)
        while True:
            wait_s = max(0.0, self._later[0][0] - time.monotonic()) if self._later else None
            for key, _mask in self._selector.select(wait_s):
                key.data()
            while self._later and self._later[0][0] <= time.monotonic():
                way = heapq.heappop(self._later)[2]
                if way.pair.open:
                    self._write(way)

    def _listen(self) -> None:
        told = os.read(sys.stdin.fileno(), CHUNK)
        if not told:
            raise SystemExit(0)  # who started us has ended
        self._told += told
        while b"\n" in self._told:
            line, _, self._told = self._told.partition(b"\n")
            sys.stdout.write(json.dumps(self._obey(json.loads(line))) + "\n")
            sys.stdout.flush()

    def _obey(self, told: dict[str, Any]) -> dict[str, Any]:
        name, do = told["line"], told["do"]
        if do == "open":
            listener = socket.create_server((LOOPBACK, 0), backlog=512)
            listener.setblocking(False)
            made = self._lines[name] = Line(listener, told["to"])
            self._selector.register(listener, selectors.EVENT_READ, lambda: self._accept(made))
            return {"port": listener.getsockname()[1]}
        line = self._lines[name]
        if do == "cut":
            line.within = told["within"]
            chosen = self._random.sample(line.pairs, min(told["count"], len(line.pairs)))
            for pair in chosen:
                pair.messages_left = self._random.randint(1, line.within)
            line.to_come = told["count"] - len(chosen)
        elif do == "refuse":
            line.refuses = told["on"]
            for pair in list(line.pairs) if line.refuses else []:
                self._close(pair, cut=True)
        elif do == "stall":
            line.stalled = told["on"]
            for way in [way for pair in line.pairs for way in pair.ways]:
                self._watch(way)
        elif do == "slow":
            line.delay_s = told["delay_s"]
        elif do != "look":
            raise ValueError(f"{do}: expected open, cut, refuse, stall, slow or look")
        return {"open": len(line.pairs), "cuts": line.cuts}

    def _accept(self, line: Line) -> None:
        try:
            client, _address = line.listener.accept()
        except OSError:
            return  # it has gone again
        if line.refuses:
            close(client, cut=True)
            return
        server = self._reach(line)
        if server is None:
            close(client, cut=True)  # nobody is there, as without us
            return
        pair = Pair(line, (client, server))
        pair.ways = [Way(pair, client, server), Way(pair, server, client)]
        line.pairs.append(pair)
        if line.to_come:
            line.to_come -= 1
            pair.messages_left = self._random.randint(1, line.within)
        for way in pair.ways:
            way.source.setblocking(False)
            way.source.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._watch(way)

    def _reach(self, line: Line) -> socket.socket | None:
        for port in self._random.sample(line.to, len(line.to)):
            with contextlib.suppress(OSError):
                return socket.create_connection((LOOPBACK, port), timeout=1)
        return None

    def _watch(self, way: Way) -> None:
        """Read from it or not, as things stand."""
        wanted = way.pair.open and not (way.pair.line.stalled or way.ended or way.waiting)
        if wanted and not way.watched:
            self._selector.register(way.source, selectors.EVENT_READ, lambda: self._read(way))
        elif way.watched and not wanted:
            self._selector.unregister(way.source)
        way.watched = wanted

    def _read(self, way: Way) -> None:
        pair = way.pair
        if not way.watched:
            return  # closed or stalled by who came before it in this round
        try:
            data = way.source.recv(CHUNK)
        except BlockingIOError:
            return
        except OSError:
            self._close(pair, cut=True)
            return
        if pair.messages_left is not None and len(data) > 1:
            pair.messages_left -= 1
        if pair.messages_left == 0:
            with contextlib.suppress(OSError):
                way.sink.send(data[: len(data) // 2])
            pair.line.cuts += 1
            self._close(pair, cut=True)
            return
        way.ended = not data
        way.waiting += data
        if pair.line.delay_s:
            self._write_in(pair.line.delay_s, way)
        else:
            self._write(way)

    def _write(self, way: Way) -> None:
        """Write what waits; where the other end is slow, read nothing meanwhile."""
        try:
            if way.waiting:
                del way.waiting[: way.sink.send(way.waiting)]
            if way.waiting:
                self._write_in(ASK_AGAIN_S, way)
                return
            if way.ended:
                way.sink.shutdown(socket.SHUT_WR)
        except BlockingIOError:
            self._write_in(ASK_AGAIN_S, way)
            return
        except OSError:
            self._close(way.pair, cut=True)
            return
        if all(one.ended for one in way.pair.ways):
            self._close(way.pair, cut=False)
        else:
            self._watch(way)

    def _write_in(self, seconds: float, way: Way) -> None:
        self._watch(way)
        self._put_off_so_far += 1
        heapq.heappush(self._later, (time.monotonic() + seconds, self._put_off_so_far, way))

    def _close(self, pair: Pair, *, cut: bool) -> None:
        if pair.open:
            pair.open = False
            pair.line.pairs.remove(pair)
            for way in pair.ways:
                self._watch(way)
            for one in pair.ends:
                close(one, cut=cut)


def close(one: socket.socket, *, cut: bool) -> None:
    """Close a connection in good order, or as a crash would."""
    if cut:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
    one.close()


if __name__ == "__main__":
    Switchboard(int(sys.argv[1])).run()
