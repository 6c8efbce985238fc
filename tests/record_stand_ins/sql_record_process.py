"""The record behind staging tables as a process of its own, that also misbehaves when told to.

``python -m tests.record_stand_ins.sql_record_process PORT PROXY_PORT URL``. ``POST /_control``
takes one JSON object, in this order::

    {"reset": true}                               forget all
    {"sql": [["UPDATE ...", {}]]}                 as if by hand; the last one's rows come back
    {"refuse": {"<key>": "words"}}                reject a row ({"<key>": null}: no more)
    {"faults": {"<key>": ["twice", "half"]}}      how to misbehave in the answer to a row
    {"work": true}                                let the job take up what waits
    {"guard": {"table": "charge", "key": "...", "words": "..."}}    a trigger that refuses a row
    {"slow": {"seconds": 2}}                      each new charge takes so long (PostgreSQL)
    {"hold": {"table": "charge", "seconds": 1}}   hold the table's lock, from now
    {"proxy": ["cut_before", "cut_after"]}        what to do at each next commit that wrote
    {"reachable": false}                          take no connections by the proxy, cut those open

The proxy is what stands between us and PostgreSQL: it knows a commit by its SQL.
"""

from __future__ import annotations

import json
import socket
import sys
import time
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Event, Lock, Thread
from typing import Any

from sqlalchemy import make_url, text

from tests.record_stand_ins.sql_record import Record


class Proxy:
    """Carries bytes between us and PostgreSQL, and cuts them off around a commit."""

    def __init__(self, port: int, upstream: tuple[str, int]) -> None:
        self.upstream = upstream
        self.reachable = True
        self.faults: list[str] = []
        self.cuts = 0
        self._lock = Lock()
        self._open: set[socket.socket] = set()
        self._listener = socket.create_server(("127.0.0.1", port))
        Thread(target=self._accept, daemon=True).start()

    def control(self, *, reachable: bool) -> None:
        self.reachable = reachable
        if not reachable:
            self.cut_all()

    def cut_all(self) -> None:
        with self._lock:
            for one in self._open:
                close(one)
            self._open.clear()

    def _accept(self) -> None:
        while True:
            client, _address = self._listener.accept()
            if not self.reachable:
                close(client)
                continue
            try:
                server = socket.create_connection(self.upstream)
            except OSError:
                close(client)  # nobody is there, as without a proxy
                continue
            with self._lock:
                self._open |= {client, server}
            swallow = Event()
            for work in (self._towards, self._back):
                Thread(target=work, args=(client, server, swallow), daemon=True).start()

    def _towards(self, client: socket.socket, server: socket.socket, swallow: Event) -> None:
        wrote = False
        try:
            while data := client.recv(65_536):
                wrote = wrote or b"INSERT" in data or b"UPDATE" in data
                if b"COMMIT" in data and wrote:
                    wrote = False
                    with self._lock:
                        fault = self.faults.pop(0) if self.faults else ""
                        self.cuts += fault.startswith("cut")
                    if fault == "cut_before":
                        break
                    if fault == "cut_after":
                        swallow.set()
                server.sendall(data)
        except OSError as error:
            print(f"connection lost: {error}", file=sys.stderr)
        if not swallow.is_set():
            close(client)
            close(server)

    def _back(self, client: socket.socket, server: socket.socket, swallow: Event) -> None:
        try:
            while (data := server.recv(65_536)) and not swallow.is_set():
                client.sendall(data)
        except OSError as error:
            print(f"connection lost: {error}", file=sys.stderr)
        close(client)
        close(server)


def close(one: socket.socket) -> None:
    with suppress(OSError):  # it is closed already
        one.shutdown(socket.SHUT_RDWR)
    one.close()


def hold(record: Record, table: str, seconds: float) -> None:
    """Hold a table's lock for a while; give back once it is held."""
    held = Event()

    def work() -> None:
        with record.engine.connect() as connection:
            if record.is_sqlite:
                connection.exec_driver_sql("BEGIN EXCLUSIVE")
            else:
                connection.execute(text(f"LOCK TABLE gomphosis_{table} IN ACCESS EXCLUSIVE MODE"))
            held.set()
            time.sleep(seconds)
            connection.rollback()

    Thread(target=work, daemon=True).start()
    held.wait(30)


def control(record: Record, proxy: Proxy | None, told: dict[str, Any]) -> dict[str, Any]:
    answer: dict[str, Any] = {}
    if told.get("reset"):
        record.reset()
    for statement, values in told.get("sql", []):
        answer["rows"] = record.run_sql(statement, values)
    record.refusals |= told.get("refuse", {})
    record.faults |= told.get("faults", {})
    if "guard" in told:
        record.guard(**told["guard"])
    if "slow" in told:
        record.slow(told["slow"]["seconds"])
    if told.get("work"):
        answer["taken"] = record.work()
    if "hold" in told:
        hold(record, told["hold"]["table"], told["hold"]["seconds"])
    if proxy is not None:
        proxy.faults += told.get("proxy", [])
        if told.get("reset"):
            proxy.faults, proxy.cuts = [], 0
        if "reachable" in told:
            proxy.control(reachable=told["reachable"])
        answer["cuts"] = proxy.cuts
    return answer | {"booked": record.booked}


def main(port: str, proxy_port: str, url: str) -> None:
    record = Record(url)
    parsed = make_url(url)
    proxy = None
    if not record.is_sqlite:
        proxy = Proxy(int(proxy_port), (str(parsed.host), parsed.port or 5432))

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            told = json.loads(self.rfile.read(int(self.headers.get("Content-Length", 0))))
            body = json.dumps(control(record, proxy, told)).encode()
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            """Stay quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", int(port)), Handler)
    server.daemon_threads = True
    server.serve_forever()


if __name__ == "__main__":
    main(*sys.argv[1:])
