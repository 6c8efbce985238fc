"""A stand-in FHIR R4 server, as a process of its own: searches, pages, and fails when told to.

``python -m tests.record_inputs.fhir_server PORT FOLDER``. Resources lie in ``FOLDER`` as JSON, so
they survive a restart. ``POST /_control`` replaces resources, sets faults (used up one by one by
the next requests; an empty one lets its request pass) and the bearer token that is wanted;
``GET /_control`` tells what was asked.
"""

from __future__ import annotations

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

BASE = "/fhir"
SEARCHED = {
    "Patient": ["_lastUpdated", "identifier"],
    "Encounter": ["_lastUpdated", "patient"],
    "ServiceRequest": ["_lastUpdated", "patient", "encounter"],
    "Observation": ["_lastUpdated", "patient", "code", "date"],
}


def capability() -> dict[str, Any]:
    """Say what this server can do."""
    kind = {"_lastUpdated": "date", "date": "date", "identifier": "token", "code": "token"}
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2026-03-02",
        "kind": "instance",
        "software": {"name": "Invented stand-in record", "version": "1"},
        "implementation": {"description": "Invented"},
        "fhirVersion": "4.0.1",
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                "resource": [
                    {
                        "type": resource_type,
                        "interaction": [{"code": "read"}, {"code": "search-type"}],
                        "searchParam": [
                            {"name": name, "type": kind.get(name, "reference")} for name in names
                        ],
                    }
                    for resource_type, names in SEARCHED.items()
                ],
            }
        ],
    }


class StandIn:
    """What the server holds and has been asked."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "resources.json"
        self.faults: list[dict[str, Any]] = []
        self.requests: list[dict[str, Any]] = []
        self.token = ""
        self.issued = 0

    def resources(self) -> list[dict[str, Any]]:
        if not self.file.exists():
            return []
        held: list[dict[str, Any]] = json.loads(self.file.read_text(encoding="utf-8"))
        return held

    def control(self, told: dict[str, Any]) -> None:
        if "resources" in told:
            self.file.write_text(json.dumps(told["resources"]), encoding="utf-8")
        self.faults += told.get("faults", [])
        self.token = told.get("token", self.token)


def matches(resource: dict[str, Any], kind: str, query: dict[str, list[str]]) -> bool:
    if resource["resourceType"] != kind:
        return False
    since = query.get("_lastUpdated", ["ge"])[0].removeprefix("ge")
    if since and resource["meta"]["lastUpdated"] < since.replace(".000Z", "Z"):
        return False
    if "patient" in query:
        subject = resource.get("subject", {}).get("reference")
        if subject != f"Patient/{query['patient'][0]}":
            return False
    if "code" in query:
        wanted = query["code"][0].split(",")
        return any(one["code"] in wanted for one in resource["code"]["coding"])
    return True


def sort_key(resource: dict[str, Any], by: str) -> str:
    return str(
        resource.get("effectiveDateTime") if "date" in by else resource["meta"]["lastUpdated"]
    )


def search(held: list[dict[str, Any]], kind: str, target: str, host: str) -> dict[str, Any]:
    query = parse_qs(urlsplit(target).query)
    by = query.get("_sort", [""])[0]
    found = [one for one in held if matches(one, kind, query)]
    found.sort(key=lambda one: sort_key(one, by), reverse=by.startswith("-"))
    count, page = int(query.get("_count", ["50"])[0]), int(query.get("_page", ["0"])[0])
    shown = found[page * count : (page + 1) * count]
    entries = [{"resource": one, "search": {"mode": "match"}} for one in shown]
    wanted = set()
    for include in query.get("_include", []):
        element = {"patient": "subject"}.get(include.split(":")[1], include.split(":")[1])
        wanted |= {one.get(element, {}).get("reference") for one in shown}
    entries += [
        {"resource": one, "search": {"mode": "include"}}
        for one in held
        if f"{one['resourceType']}/{one['id']}" in wanted
    ]
    made: dict[str, Any] = {"resourceType": "Bundle", "type": "searchset", "entry": entries}
    if len(found) > (page + 1) * count:
        again = urlencode({**query, "_page": [str(page + 1)]}, doseq=True)
        made["link"] = [{"relation": "next", "url": f"http://{host}{BASE}/{kind}?{again}"}]
    return made


def handler_of(stand_in: StandIn) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True  # else each body waits for a delayed acknowledgement

        def do_GET(self) -> None:
            if self.path == "/_control":
                self._answer(200, {"requests": stand_in.requests})
                return
            stand_in.requests.append({"path": self.path, "headers": dict(self.headers)})
            fault = stand_in.faults.pop(0) if stand_in.faults else {}
            if fault:
                self._fail(fault)
                return
            if stand_in.token and self.headers["Authorization"] != f"Bearer {stand_in.token}":
                self._answer(401, {})
                return
            held = stand_in.resources()
            names = urlsplit(self.path).path.removeprefix(BASE).strip("/").split("/")
            if names == ["metadata"]:
                found: Any = capability()
            elif len(names) == 1:
                found = search(held, names[0], self.path, self.headers["Host"])
            else:
                same = (one for one in held if [one["resourceType"], one["id"]] == names)
                found = next(same, None)
            if found is None:
                self._answer(404, {})
                return
            tag = f'W/"{hash(json.dumps(found))}"'
            if self.headers["If-None-Match"] == tag:
                self._answer(304, None, {"ETag": tag})
            else:
                self._answer(200, found, {"ETag": tag})

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if self.path == "/token":
                stand_in.issued += 1
                stand_in.token = f"invented-{stand_in.issued}"
                basic = self.headers["Authorization"]
                stand_in.requests.append({"path": "/token", "form": body.decode(), "basic": basic})
                self._answer(200, {"access_token": stand_in.token, "expires_in": 3600})
                return
            stand_in.control(json.loads(body))
            self._answer(200, {})

        def _fail(self, fault: dict[str, Any]) -> None:
            if fault.get("half"):
                self.send_response(200)
                self.send_header("Content-Length", "100000")
                self.end_headers()
                self.wfile.write(b'{"resourceType": "Bundle", "entry": [')
                self.close_connection = True
                return
            if "body" in fault:
                self._answer(200, fault["body"])
                return
            self._answer(fault["status"], {}, fault.get("headers", {}))

        def _answer(self, status: int, content: Any, headers: dict[str, str] | None = None) -> None:
            body = b"" if content is None else json.dumps(content).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/fhir+json")
            self.send_header("Content-Length", str(len(body)))
            for name, value in (headers or {}).items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            """Stay quiet."""

    return Handler


if __name__ == "__main__":
    ThreadingHTTPServer(
        ("127.0.0.1", int(sys.argv[1])), handler_of(StandIn(Path(sys.argv[2])))
    ).serve_forever()
