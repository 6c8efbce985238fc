"""The stand-in FHIR R4 record as a process of its own: it serves what it holds, and misbehaves.

``python -m tests.record_stand_ins.fhir_record_process PORT FOLDER``. ``POST /_control`` changes
it::

    {"reset": true}                     forget all
    {"set": {"transactions": true}}     settings, see ``Settings``
    {"resources": [{...}]}              put resources, as if by hand
    {"faults": [{"do": "cut", "method": "POST", "commit": true}]}

A fault is used up by the next request of its method (POST where none is given). ``do``:
``status`` (with ``status``, ``headers`` and ``words``), ``cut`` (no reply), ``half`` (half a
reply), ``twice`` (the reply two times over), ``slow`` (``seconds`` before the reply). ``commit``:
whether the request has its effect all the same. ``GET /_control`` tells what it holds and was
asked.
"""

from __future__ import annotations

import json
import sys
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from fhir.resources.R4B.operationoutcome import OperationOutcome

from tests.record_stand_ins.fhir_record import BASE, Json, Record, Refusal


def outcome(words: str, more: Json | None = None) -> Json:
    issue = {"severity": "error", "code": "processing", "diagnostics": words, **(more or {})}
    told = {"resourceType": "OperationOutcome", "issue": [issue]}
    OperationOutcome.model_validate_json(json.dumps(told))
    return told


def handler_of(record: Record) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True  # else each body waits for a delayed acknowledgement

        def do_GET(self) -> None:
            if self.path == "/_control":
                with record.lock:
                    told = {"requests": record.requests, "held": list(record.held.values())}
                self._write(200, told)
                return
            self._serve(b"")

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            if self.path == "/_control":
                with record.lock:
                    record.control(json.loads(body))
                self._write(200, {})
            elif self.path == "/token":
                record.issued += 1
                record.settings.token = f"invented-{record.issued}"
                told = {"path": "/token", "basic": self.headers["Authorization"]}
                record.requests.append(told | {"body": body.decode()})
                answer = {"access_token": record.settings.token, "expires_in": 3600}
                self._write(200, answer)
            else:
                self._serve(body)

        def do_PUT(self) -> None:
            self._serve(self.rfile.read(int(self.headers.get("Content-Length", 0))))

        def _serve(self, body: bytes) -> None:
            with record.lock:
                record.requests.append(
                    {"method": self.command, "path": self.path, "headers": dict(self.headers)}
                )
                wanted = record.settings.token
                if wanted and self.headers["Authorization"] != f"Bearer {wanted}":
                    self._write(401, {})
                    return
                fault = record.fault(self.command)
                status, content = 0, dict[str, Any]()
                if not fault or fault.get("commit", True):
                    status, content = self._effect(body)
            self._reply(fault, status, content)

        def _effect(self, body: bytes) -> tuple[int, Json]:  # noqa: PLR0911
            names = urlsplit(self.path).path.removeprefix(BASE).strip("/")
            try:
                if self.command == "POST":
                    if not names:
                        bundle = json.loads(body)
                        one_by_one = bundle["type"] == "batch"
                        return 200, (record.batch if one_by_one else record.transact)(bundle)
                    return record.create(json.loads(body), self.headers["If-None-Exist"])
                if self.command == "PUT":
                    return record.update(names, json.loads(body), self.headers["If-Match"])
                if names == "metadata":
                    return 200, record.capability()
                if "/" not in names:
                    return 200, record.search(names, self.path, self.headers["Host"])
                if names not in record.held:
                    raise Refusal(404, f"there is no {names} (invented)")
                return 200, record.held[names]
            except Refusal as refusal:
                return refusal.status, outcome(str(refusal), refusal.issue)

        def _reply(self, fault: Json, status: int, content: Json) -> None:
            do = fault.get("do")
            if do == "status":
                told = outcome(fault["words"]) if "words" in fault else {}
                self._write(fault["status"], told, fault.get("headers", {}))
            elif do == "cut":
                self.close_connection = True
            elif do == "half":
                self._write(status, content, cut=True)
                self.close_connection = True
            else:
                if do == "slow":
                    time.sleep(fault["seconds"])
                self._write(status, content)
                if do == "twice":
                    self._write(status, content)

        def _write(
            self, status: int, content: Json, more: Json | None = None, *, cut: bool = False
        ) -> None:
            body = json.dumps(content).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/fhir+json")
            self.send_header("Content-Length", str(len(body)))
            if status == 201:
                name = f"{content['resourceType']}/{content['id']}"
                where = f"http://{self.headers['Host']}{BASE}/{name}/_history/1"
                self.send_header("Location", where)
            for name, value in (more or {}).items():
                self.send_header(name, value)
            self.end_headers()
            try:
                self.wfile.write(body[: len(body) // 2] if cut else body)
            except OSError:
                self.close_connection = True  # the client went away, as it may

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            """Stay quiet."""

    return Handler


if __name__ == "__main__":
    made = Record(Path(sys.argv[2]))
    made.load()
    server = ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), handler_of(made))
    server.daemon_threads = True
    server.serve_forever()
