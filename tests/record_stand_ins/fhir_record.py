"""A stand-in FHIR R4 record as a process of its own: it keeps what is posted, and misbehaves.

``python -m tests.record_stand_ins.fhir_record PORT FOLDER``. What it holds lies in ``FOLDER`` as
lines of JSON, so it survives a kill. Every resource is validated by the independent models of
``fhir.resources`` (R4B) before it is taken: one that breaks them is answered 422.

``POST /_control`` changes it::

    {"reset": true}                     forget all
    {"set": {"transactions": true}}     settings, see ``Settings``
    {"resources": [{...}]}              put resources, as if by hand
    {"faults": [{"do": "cut", "method": "POST", "commit": true}]}

A fault is used up by the next request of its method (POST where none is given). ``do``:
``status`` (with ``status`` and ``headers``), ``cut`` (no reply), ``half`` (half a reply),
``twice`` (the reply two times over), ``slow`` (``seconds`` before the reply). ``commit``: whether
the request has its effect all the same. ``GET /_control`` tells what it holds and was asked.
"""

from __future__ import annotations

import json
import re
import sys
import time
from dataclasses import dataclass, field, fields
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.chargeitem import ChargeItem
from fhir.resources.R4B.diagnosticreport import DiagnosticReport
from fhir.resources.R4B.documentreference import DocumentReference
from fhir.resources.R4B.imagingstudy import ImagingStudy
from fhir.resources.R4B.patient import Patient
from fhir.resources.R4B.servicerequest import ServiceRequest
from pydantic import ValidationError

Json = dict[str, Any]
BASE = "/fhir"
MODELS: dict[str, Any] = {
    "ChargeItem": ChargeItem,
    "DiagnosticReport": DiagnosticReport,
    "DocumentReference": DocumentReference,
    "ImagingStudy": ImagingStudy,
    "Patient": Patient,
    "ServiceRequest": ServiceRequest,
}
SEARCHED = {"identifier", "patient", "occurrence", "_count", "_page"}


class Refusal(Exception):  # noqa: N818
    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


@dataclass
class Settings:
    """How it behaves while nothing is wrong."""

    transactions: bool = False
    batches: bool = False
    conditional: bool = True
    knows_every_patient: bool = True
    heeds_searches: bool = True
    token: str = ""
    page: int = 50


@dataclass
class Record:
    """What it holds: the newest version of each resource, in order of their making."""

    folder: Path
    settings: Settings = field(default_factory=Settings)
    held: dict[str, Json] = field(default_factory=dict)
    faults: list[Json] = field(default_factory=list)
    requests: list[Json] = field(default_factory=list)
    issued: int = 0
    lock: Any = field(default_factory=Lock)

    @property
    def journal(self) -> Path:
        return self.folder / "journal.jsonl"

    def load(self) -> None:
        if self.journal.exists():
            for line in self.journal.read_text(encoding="utf-8").splitlines():
                one = json.loads(line)
                self.held[f"{one['resourceType']}/{one['id']}"] = one

    def keep(self, resource: Json, name: str | None = None) -> Json:
        kind = resource["resourceType"]
        name = name or f"{kind}/{kind[0].lower()}{len(self.held) + 1}"
        version = int(self.held.get(name, {}).get("meta", {}).get("versionId", 0)) + 1
        kept = {**resource, "id": name.split("/")[1], "meta": {"versionId": str(version)}}
        self.held[name] = kept
        with self.journal.open("a", encoding="utf-8") as file:
            file.write(json.dumps(kept) + "\n")
        return kept

    def control(self, told: Json) -> None:
        if told.get("reset"):
            self.settings, self.issued = Settings(), 0
            self.held.clear()
            self.faults.clear()
            self.requests.clear()
            self.journal.unlink(missing_ok=True)
        known = {one.name for one in fields(Settings)}
        for name, value in told.get("set", {}).items():
            assert name in known, name
            setattr(self.settings, name, value)
        for one in told.get("resources", []):
            self.keep(one, f"{one['resourceType']}/{one['id']}" if "id" in one else None)
        self.faults += told.get("faults", [])

    def fault(self, method: str) -> Json:
        for place, one in enumerate(self.faults):
            if one.get("method", "POST") == method:
                return self.faults.pop(place)
        return {}

    # What FHIR says of each interaction (R4 section 3.1.0).

    def create(self, resource: Json, condition: str | None) -> tuple[int, Json]:
        self.validate(resource)
        if condition is not None and self.settings.conditional:
            found = self.find(resource["resourceType"], parse_qs(condition))
            if len(found) > 1:
                raise Refusal(412, "several match the condition (invented)")
            if found:
                return 200, found[0]
        return 201, self.keep({k: v for k, v in resource.items() if k not in {"id", "meta"}})

    def update(self, name: str, resource: Json, if_match: str | None) -> tuple[int, Json]:
        if name not in self.held:
            raise Refusal(404, f"there is no {name} (invented)")
        if if_match and if_match != f'W/"{self.held[name]["meta"]["versionId"]}"':
            raise Refusal(412, f"{name} has another version (invented)")
        self.validate(resource)
        return 200, self.keep(resource, name)

    def batch(self, bundle: Json) -> Json:
        """Do each entry alone; one that fails fails no other."""
        if not self.settings.batches:
            raise Refusal(400, "no batches here (invented)")
        Bundle.model_validate_json(json.dumps(bundle))
        answers: list[Json] = []
        for entry in bundle["entry"]:
            request = entry["request"]
            try:
                if request["method"] == "GET":
                    kind = request["url"].partition("?")[0]
                    found = self.search(kind, request["url"], "none")
                    answers.append({"resource": found, "response": {"status": "200 OK"}})
                else:
                    status, kept = self.create(entry["resource"], request["ifNoneExist"])
                    name = f"{kept['resourceType']}/{kept['id']}"
                    told = {"status": f"{status} x", "location": f"{name}/_history/1"}
                    answers.append({"response": told})
            except Refusal as refusal:
                answers.append({"response": {"status": f"{refusal.status} x"}})
        return {"resourceType": "Bundle", "type": "batch-response", "entry": answers}

    def transact(self, bundle: Json) -> Json:
        if not self.settings.transactions:
            raise Refusal(400, "no transactions here (invented)")
        Bundle.model_validate_json(json.dumps(bundle))
        before, answers = dict(self.held), list[Json]()
        names: dict[str, str] = {}
        try:
            for entry in bundle["entry"]:  # names first: entries may refer to each other
                request, url = entry["request"], entry["fullUrl"]
                if request["method"] == "POST":
                    known = self.find(request["url"], parse_qs(request["ifNoneExist"]))
                    made = f"{request['url']}/t{len(self.held) + len(names) + 1}"
                    names[url] = f"{known[0]['resourceType']}/{known[0]['id']}" if known else made
                else:
                    names[url] = request["url"]
            for entry in bundle["entry"]:
                request, name = entry["request"], names[entry["fullUrl"]]
                text = json.dumps(entry["resource"])
                for url, reference in names.items():
                    text = text.replace(url, reference)
                resource = json.loads(text)
                if request["method"] == "PUT":
                    status, kept = self.update(name, resource, request.get("ifMatch"))
                elif name in self.held:
                    status, kept = 200, self.held[name]
                else:
                    self.validate(resource, others=set(names.values()))
                    status, kept = 201, self.keep(resource, name)
                location = f"{name}/_history/{kept['meta']['versionId']}"
                answers.append({"response": {"status": f"{status} x", "location": location}})
        except Refusal:
            self.held = before
            self.journal.write_text(
                "".join(json.dumps(one) + "\n" for one in before.values()), encoding="utf-8"
            )
            raise
        return {"resourceType": "Bundle", "type": "transaction-response", "entry": answers}

    def validate(self, resource: Json, others: set[str] | None = None) -> None:
        try:
            MODELS[resource["resourceType"]].model_validate_json(json.dumps(resource))
        except ValidationError as error:
            raise Refusal(422, f"no valid R4B {resource['resourceType']}: {error}") from error
        for reference in re.findall(r'"reference": "([A-Z][^"]*)"', json.dumps(resource)):
            if reference not in self.held and reference not in (others or set()):
                raise Refusal(422, f"there is no {reference} (invented)")

    def find(self, kind: str, query: dict[str, list[str]]) -> list[Json]:
        if set(query) - SEARCHED:
            raise Refusal(400, f"unknown search parameters {sorted(query)} (invented)")
        if kind == "Patient" and self.settings.knows_every_patient and "identifier" in query:
            system, value = unescaped(query["identifier"][0])
            identifier = {"system": system, "value": value}
            if not any(identifier in one.get("identifier", []) for one in self.of("Patient")):
                self.keep({"resourceType": "Patient", "identifier": [identifier]})
        found = self.of(kind)
        return (
            [one for one in found if matches(one, query)] if self.settings.heeds_searches else found
        )

    def of(self, kind: str) -> list[Json]:
        return [one for one in self.held.values() if one["resourceType"] == kind]

    def search(self, kind: str, target: str, host: str) -> Json:
        query = parse_qs(urlsplit(target).query)
        found = self.find(kind, query)
        page = int(query.get("_page", ["0"])[0])
        count = min(int(query.get("_count", ["1000"])[0]), self.settings.page)
        shown = found[page * count : (page + 1) * count]
        bundle: Json = {
            "resourceType": "Bundle",
            "type": "searchset",
            "entry": [{"resource": one, "search": {"mode": "match"}} for one in shown],
        }
        if len(found) > (page + 1) * count:
            again = urlencode({**query, "_page": [str(page + 1)]}, doseq=True)
            link = {"relation": "next", "url": f"http://{host}{BASE}/{kind}?{again}"}
            bundle["link"] = [link]
        return bundle

    def capability(self) -> Json:
        """Say what it can do."""
        told = {"identifier": "token", "patient": "reference", "occurrence": "date"}
        codes = ("create", "read", "update", "search-type")
        return {
            "resourceType": "CapabilityStatement",
            "status": "active",
            "date": "2026-03-02",
            "kind": "instance",
            "software": {"name": "Invented stand-in record"},
            "implementation": {"description": "Invented"},
            "fhirVersion": "4.0.1",
            "format": ["json"],
            "rest": [
                {
                    "mode": "server",
                    "resource": [
                        {
                            "type": kind,
                            "interaction": [{"code": code} for code in codes],
                            "conditionalCreate": self.settings.conditional,
                            "searchParam": [{"name": k, "type": v} for k, v in told.items()],
                        }
                        for kind in MODELS
                    ],
                    "interaction": [
                        {"code": code}
                        for code, can in (
                            ("transaction", self.settings.transactions),
                            ("batch", self.settings.batches),
                        )
                        if can
                    ],
                }
            ],
        }


def unescaped(token: str) -> tuple[str, str]:
    """Split ``system|value`` at the first bar that is not escaped, and take the escapes off."""
    system, _, value = re.sub(r"(?<!\\)\|", "\x01", token, count=1).partition("\x01")
    return system, re.sub(r"\\([\\$,|])", r"\1", value)


def matches(resource: Json, query: dict[str, list[str]]) -> bool:
    if "identifier" in query:
        system, value = unescaped(query["identifier"][0])
        told = [(one.get("system"), one.get("value")) for one in resource.get("identifier", [])]
        if (system, value) not in told:
            return False
    if "patient" in query and resource["subject"].get("reference") != query["patient"][0]:
        return False
    day = resource.get("occurrenceDateTime", "")[:10]
    for bound in query.get("occurrence", []):
        if (bound[:2] == "ge" and day < bound[2:]) or (bound[:2] == "le" and day > bound[2:]):
            return False
    return True


def handler_of(record: Record) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

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
                issue = {"severity": "error", "code": "processing", "diagnostics": str(refusal)}
                return refusal.status, {"resourceType": "OperationOutcome", "issue": [issue]}

        def _reply(self, fault: Json, status: int, content: Json) -> None:
            do = fault.get("do")
            if do == "status":
                self._write(fault["status"], {}, fault.get("headers", {}))
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
