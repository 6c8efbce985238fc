"""A stand-in FHIR R4 record: it keeps what is posted.

What it holds lies in a folder as lines of JSON, so it survives a kill of its process
(``fhir_record_process``). Every resource is validated by the independent models of
``fhir.resources`` (R4B) before it is taken: one that breaks them is answered 422.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field, fields
from datetime import date, timedelta
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit
from uuid import uuid4

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
CLOSED = {"system": "https://record.invalid/refusals", "code": "INV-PERIOD-CLOSED"}
OPEN_DAY = "https://record.invalid/first-open-day"
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
    def __init__(self, status: int, words: str, issue: Json | None = None) -> None:
        super().__init__(words)
        self.status = status
        self.issue = issue or {}


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
    closed_through: str = ""
    closed_status: int = 422
    tells_open_day: bool = True


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
    named: dict[tuple[str, str], dict[str, None]] = field(default_factory=dict)
    unwritten: list[str] = field(default_factory=list)
    transacting: bool = False

    @property
    def journal(self) -> Path:
        return self.folder / "journal.jsonl"

    def load(self) -> None:
        if self.journal.exists():
            lines = self.journal.read_bytes().splitlines(keepends=True)
            if lines and not lines[-1].endswith(b"\n"):
                lines.pop()  # killed while it wrote this: nobody was answered
                self.journal.write_bytes(b"".join(lines))
            for line in lines:
                one = json.loads(line)
                self.hold(f"{one['resourceType']}/{one['id']}", one)

    def keep(self, resource: Json, name: str | None = None) -> Json:
        kind = resource["resourceType"]
        name = name or f"{kind}/{kind[0].lower()}{len(self.held) + 1}"
        version = int(self.held.get(name, {}).get("meta", {}).get("versionId", 0)) + 1
        kept = {**resource, "id": name.split("/")[1], "meta": {"versionId": str(version)}}
        self.hold(name, kept)
        self.unwritten.append(json.dumps(kept) + "\n")
        if not self.transacting:
            self.write()
        return kept

    def write(self) -> None:
        """Write what was kept since: a transaction all at once, in the end."""
        with self.journal.open("a", encoding="utf-8") as file:
            file.write("".join(self.unwritten))
        self.unwritten.clear()

    def hold(self, name: str, one: Json) -> None:
        self.held[name] = one
        for identifier in identifiers(one):
            self.named.setdefault(identifier, {})[name] = None

    def identified(self, kind: str, identifier: tuple[str, str]) -> list[Json]:
        """Give those with an identifier, in order of their making; ``named`` may be out of date."""
        found = [self.held[name] for name in self.named.get(identifier, ()) if name in self.held]
        return [
            one for one in found if one["resourceType"] == kind and identifier in identifiers(one)
        ]

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

    def see_that_the_books_are_open(self, resource: Json) -> None:
        """Refuse a charge under a day whose books are closed; it knows our posting day."""
        if resource["resourceType"] != "ChargeItem" or not self.settings.closed_through:
            return
        inner = [two for one in resource["extension"] for two in one.get("extension", [])]
        told = [one["valueString"] for one in inner if one["url"] == "postingDay"]
        if (told or [resource["occurrenceDateTime"]])[0] > self.settings.closed_through:
            return
        open_day = date.fromisoformat(self.settings.closed_through) + timedelta(days=1)
        issue: Json = {"details": {"coding": [CLOSED]}}
        if self.settings.tells_open_day:
            issue["extension"] = [{"url": OPEN_DAY, "valueDate": open_day.isoformat()}]
        words = f"books closed through {self.settings.closed_through} (invented)"
        raise Refusal(self.settings.closed_status, words, issue)

    # What FHIR says of each interaction (R4 section 3.1.0).

    def create(self, resource: Json, condition: str | None) -> tuple[int, Json]:
        self.validate(resource)
        if condition is not None and self.settings.conditional:
            found = self.find(resource["resourceType"], parse_qs(condition))
            if len(found) > 1:
                raise Refusal(412, "several match the condition (invented)")
            if found:
                return 200, found[0]
        self.see_that_the_books_are_open(resource)
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
        self.transacting = True
        try:
            for entry in bundle["entry"]:  # names first: entries may refer to each other
                request, url = entry["request"], entry["fullUrl"]
                if request["method"] == "POST":
                    known = self.find(request["url"], parse_qs(request["ifNoneExist"]))
                    made = f"{request['url']}/t{uuid4().hex[:16]}"
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
        except Exception:
            self.held = before
            self.unwritten.clear()
            raise
        finally:
            self.transacting = False
        self.write()
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
            if not self.identified("Patient", (system, value)):
                identifier = {"system": system, "value": value}
                self.keep({"resourceType": "Patient", "identifier": [identifier]})
        if not self.settings.heeds_searches:
            return self.of(kind)
        if "identifier" in query:
            found = self.identified(kind, unescaped(query["identifier"][0]))
        else:
            found = self.of(kind)
        return [one for one in found if matches(one, query)]

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


def identifiers(resource: Json) -> list[tuple[str, str]]:
    told = resource.get("identifier", [])
    several = told if isinstance(told, list) else [told]
    return [(one.get("system", ""), one.get("value", "")) for one in several]


def matches(resource: Json, query: dict[str, list[str]]) -> bool:
    if "identifier" in query:
        system, value = unescaped(query["identifier"][0])
        if (system, value) not in identifiers(resource):
            return False
    if "patient" in query and resource["subject"].get("reference") != query["patient"][0]:
        return False
    day = resource.get("occurrenceDateTime", "")[:10]
    for bound in query.get("occurrence", []):
        if (bound[:2] == "ge" and day < bound[2:]) or (bound[:2] == "le" and day > bound[2:]):
            return False
    return True
