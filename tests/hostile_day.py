"""An invented day told by every real door, with markup in every text that a sender may choose.

DICOM by C-STORE, HL7 v2 by MLLP, FHIR by polling, and each kind of fact by ``POST /facts``. What a
door refuses waits in triage, whose page shows it: there it is as hostile as elsewhere.
"""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import httpx
import yaml
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue

from demo import hospital as demo_hospital
from demo.hospital import running_hospital
from demo.http_teller import invented_token
from demo.station import Station
from schemas.acting import ACTING_PERSON
from schemas.envelope import Payload
from schemas.facts import FACTS
from schemas.group import DeviceKind, Group, Role, load_group
from services.console.accounts import Account
from services.console.sessions import Sessions
from services.intake.permissions import DEVICE_MAY_TELL, ROLE_MAY_TELL
from services.runtime import triage
from services.runtime.settings import ConsoleSettings
from tests.chairside_day import SITE, ChairsideDay
from tests.record_inputs import fhir_resources
from tests.record_inputs.codes import CODES
from tests.record_inputs.fhir_server_process import Server
from tests.record_inputs.hl7_texts import PV1, header, joined, obr, orc, pid, segment
from tests.record_inputs.mllp_client import MllpClient
from tests.servers.polling import wait_until
from tests.servers.ports import free_port

MARK: Final = "=1+\"'><b data-q8 onclick=alert(1)>{{7*191}}"
"""A formula, the end of an attribute, an element, a handler and a template, in 43 letters."""
LONG: Final = (
    f"{MARK}</b></textarea></title></script><script>alert(2)</script>\n"
    "<svg onload=alert(3)></svg><img src=x onerror=alert(4)><style>*{display:none}</style>\n"
    "${7*191} <%= 7*191 %> #{7*191} javascript:alert(5) \u202egk 4.11\u2066 \u2028"
    f"<div hx-get='/sign-out' hx-trigger='load'>{'W' * 400}"
)
"""The same at length: scripts, styles, htmx, other templates, directions, one endless word."""
AS_CODE: Final = ("alert(1)>1337", "$1337", "#1337", "= 1337")
"""What would be seen if a template had worked any of it out."""
_LENGTH: Final = {"LO": 64, "SH": 16, "ST": 1_024, "LT": 10_240, "UT": 10_000, "UC": 10_000}
_BOUND: Final = {"pattern", "enum", "format", "const"}
_RECORD: Final = {"Authorization": f"Bearer {invented_token('record-1')}"}
PEOPLE: Final = {
    Role.VET: "vet-1",
    Role.TECHNICIAN: "tech-1",
    Role.TRAINEE: "trainee-1",
    Role.BILLING: "billing-1",
    Role.LEAD: "lead-1",
    Role.ADMIN: "admin-1",
}


class HostileStation(Station):
    """Writes the mark into every text element of its images, and adds those that pages may show."""

    whole = False
    """With it the texts that tie an image to its order are hostile too."""

    def _send(self, dataset: Dataset) -> None:
        dataset.SpecificCharacterSet = "ISO_IR 192"
        for keyword in (
            "PatientComments",
            "ImageComments",
            "StudyDescription",
            "SeriesDescription",
            "OperatorsName",
            "StationName",
            "InstitutionName",
            "ProtocolName",
            "DeviceSerialNumber",
            "DetectorID",
            "SoftwareVersions",
            "AdditionalPatientHistory",
            "PatientSpeciesDescription",
            "PatientBreedDescription",
            "ReferringPhysicianName",
            "DerivationDescription",
            "AcquisitionProtocolDescription",
        ):
            setattr(dataset, keyword, "x")
        self._mark(dataset)
        super()._send(dataset)

    def _mark(self, dataset: Dataset) -> None:
        kept = set() if self.whole else {"PatientID", "AccessionNumber", "StudyID"}
        kept |= {"ScheduledProcedureStepID", "RequestedProcedureID", "CodingSchemeDesignator"}
        for element in dataset:
            if element.VR == "SQ":
                for item in element.value:
                    self._mark(item)
            elif element.keyword not in kept and not isinstance(element.value, MultiValue):
                if element.VR == "PN":
                    element.value = MARK.replace("=", "")
                elif element.VR in _LENGTH:
                    text = MARK if element.VR in {"LO", "SH"} else LONG.replace("\u2028", "")
                    element.value = text[: _LENGTH[element.VR]]


@dataclass
class HostileDay:
    """The running hospital, its hostile studies, and which kinds of fact its doors took."""

    day: ChairsideDay
    sessions: Sessions
    group: Group
    studies: list[str] = field(default_factory=list)
    images: list[str] = field(default_factory=list)
    taken: set[str] = field(default_factory=set)

    def token(self, person: str) -> str:
        found = self.group.person(SITE, person)
        assert found is not None
        return self.sessions.begin(Account(*found), shared=False)

    def waiting(self) -> list[int]:
        with self.day.store.read() as connection:
            return [int(row.id) for row in triage.entries(connection)]


@contextmanager
def hostile_day(folder: Path) -> Iterator[HostileDay]:
    """Run a hospital and tell it all of that."""
    group_dir = folder / "group"
    shutil.copytree(Path(demo_hospital.__file__).with_name("group"), group_dir)
    _let_the_record_in(group_dir)
    mllp = free_port()
    fhir = Server(folder / "fhir")
    settings = {
        "GOMPHOSIS_GROUP_DIR": str(group_dir),
        "GOMPHOSIS_CONSOLE__TAPS_PER_MINUTE": "10000",
        "GOMPHOSIS_INTAKE__MLLP__ENABLED": "true",
        "GOMPHOSIS_INTAKE__MLLP__PORT": str(mllp),
        "GOMPHOSIS_INTAKE__FHIR__BASE_URL": f"{fhir.url}/fhir",
        "GOMPHOSIS_INTAKE__FHIR__SITE": SITE,
        "GOMPHOSIS_INTAKE__FHIR__DEVICE": "record-1",
        "GOMPHOSIS_INTAKE__FHIR__POLL_S": "0.5",
        "GOMPHOSIS_INTAKE__FHIR__FIRST_LOOK_BACK_S": "31536000",
    }
    data = folder / "data"
    data.mkdir()
    with fhir.running(), running_hospital(data, **settings) as hospital:
        day = ChairsideDay(hospital)
        station = HostileStation("127.0.0.1", hospital.dicom_port)
        day._station.close()
        day._station = station
        group = load_group(group_dir)
        told = HostileDay(day, Sessions(day.store, group, ConsoleSettings()), group)
        try:
            _by_facts_and_dicom(told, station)
            _by_hl7(told, mllp)
            _by_fhir(told, fhir)
            _by_each_kind_of_fact(told)
            yield told
        finally:
            day.close()


def _let_the_record_in(group_dir: Path) -> None:
    file = group_dir / "group.yaml"
    group = yaml.safe_load(file.read_text(encoding="utf-8"))
    for device in group["sites"][0]["devices"]:
        if device["name"] == "record-1":
            device["addresses"] = ["127.0.0.0/8"]
    file.write_text(yaml.safe_dump(group), encoding="utf-8")
    sender = CODES["senders"][0] | {"site": SITE, "device": "record-1"}
    codes = CODES | {"senders": [sender], "rooms": {"INV-DENTAL-1": "dental-1"}}
    (group_dir / "record_codes.yaml").write_text(yaml.safe_dump(codes), encoding="utf-8")


def _by_facts_and_dicom(told: HostileDay, station: HostileStation) -> None:
    study = told.day.order(1, name=MARK)
    told.studies.append(study)
    told.images.append(told.day.shoot(1, study, "max-incisors"))
    station.whole = True
    now = datetime.now(UTC)
    told.images.append(told.day.image(1, "max-canine-r", now, labelled=False))


def _by_hl7(told: HostileDay, port: int) -> None:
    mark = MARK.translate(dict.fromkeys(map(ord, "^|&~\\")))
    long = LONG.replace("\n", "\\.br\\").replace("\u2028", "")
    now = datetime.now(UTC).strftime("%Y%m%d%H%M%S+0000")
    lines = [
        header("ORM^O01^ORM_O01", "INV-8", f18="UNICODE UTF-8"),
        pid(
            "P-8001", f5=f"{mark}^{mark}", f11=mark, f35=f"CANINE^{mark}^INVS", f36=f"X^{mark}^INVB"
        ),
        segment("NK1", {1: "1", 2: f"{mark}^{mark}", 3: "OWN"}),
        PV1,
        orc("NW", "8001", f12=f"1^{mark}^{mark}", f16=f"X^{mark}"),
        obr(
            "8001",
            f4=f"INV-DENT-DOG^{mark}^INV",
            f13=long,
            f16=f"1^{mark}",
            f31=f"INVR^{long[:400]}^INV",
            f36=now,
        ),
        segment("NTE", {1: "1", 3: long}),
    ]
    odd = [
        header(f"ORM^O01^{mark[:15]}", "INV-9", f18="UNICODE UTF-8", f8=mark),
        pid(mark, f5=mark, f7=mark, f8=mark, f35=f"{mark}^{mark}", f36=mark),
        PV1,
        orc(mark, mark),
        obr(mark, f4=f"{mark}^{mark}", f36=mark),
    ]
    with MllpClient(port) as client:
        for message in (lines, odd):
            assert client.ask(joined(message, "utf-8")) is not None


def _by_fhir(told: HostileDay, server: Server) -> None:
    animal = fhir_resources.patient("p8")
    animal["name"] = [{"given": [MARK], "family": MARK, "text": MARK}]
    animal["contact"] = [{"name": {"text": MARK}}]
    for part in animal["extension"][0]["extension"]:
        part["valueCodeableConcept"]["text"] = MARK
    now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    animal["meta"]["lastUpdated"] = now
    place = fhir_resources.encounter(subject={"reference": "Patient/p8"}, period={"start": now})
    order = fhir_resources.order("s8", now, subject={"reference": "Patient/p8"})
    order["reasonCode"] = [{"text": LONG}]
    order["code"]["text"] = MARK
    order["note"] = [{"text": LONG}]
    odd = fhir_resources.order("s9", now, subject={"reference": "Patient/p8"})
    odd["code"] = {"coding": [{"system": MARK, "code": MARK, "display": MARK}], "text": MARK}
    odd["identifier"][0]["value"] = MARK
    server.control(resources=[animal, place, order, odd])


def _by_each_kind_of_fact(told: HostileDay) -> None:
    """Tell each kind as one who may tell it: once as it may be, once with every text marked."""
    url = f"{told.day.hospital.http_url}/facts"
    refused = 0
    with httpx.Client(timeout=60) as client:
        for kind in FACTS:
            holder = _holder_of(kind.KIND)
            if holder is None:
                continue  # told by no one: an image's fact comes with its file
            for example in _hostile(kind, told):
                offer = {
                    "kind": kind.KIND,
                    "schema_version": kind.VERSION,
                    "occurred_at": datetime.now(UTC).isoformat(),
                    "payload": example,
                }
                (answer,) = client.post(url, json=[offer], headers=holder).json()
                if answer["outcome"] == "accepted":
                    told.taken.add(kind.KIND)
                else:
                    refused += 1
        client.post(url, content=LONG.encode(), headers=_RECORD)
    wait_until(lambda: len(told.waiting()) >= refused // 2, 60, "what was refused in triage")


def _holder_of(kind: str) -> dict[str, str] | None:
    for device, of_kind in (
        ("record-1", DeviceKind.RECORD),
        ("generator-1", DeviceKind.GENERATOR),
    ):
        if kind in DEVICE_MAY_TELL[of_kind]:
            return {"Authorization": f"Bearer {invented_token(device)}"}
    for role, person in PEOPLE.items():
        if kind in ROLE_MAY_TELL[role]:
            typed = base64.b64encode(f"{person}:invented password of {person}".encode()).decode()
            signs = {"Signing-Authorization": f"Basic {typed}"}
            acts = {ACTING_PERSON: f"{SITE}/{person}"}
            console = {"Authorization": f"Bearer {invented_token('console-1')}"}
            return console | acts | (signs if kind in {"note_signed", "note_addended"} else {})
    return None


def _hostile(kind: type[Payload], told: HostileDay) -> Iterator[dict[str, Any]]:
    """Mark what takes any text, within its length; then every text that there is."""
    example = json.loads(json.dumps(kind.EXAMPLES[0]))
    ours = {
        "study_instance_uid": told.studies[0],
        "sop_instance_uid": told.images[0],
        "room": "dental-1",
        "operator": "tech-1",
        "signer": "vet-1",
        "view": "max-incisors",
    }
    known = {name: value for name, value in ours.items() if name in example}
    schema = kind.model_json_schema()
    free = _marked(example, schema, schema.get("$defs", {}))
    yield free | known
    yield _all_marked(example)


def _marked(example: dict[str, Any], schema: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    made = dict(example)
    for name, told in schema.get("properties", {}).items():
        options = [told, *told.get("anyOf", [])]
        for option in options:
            if "$ref" in option:
                inner = definitions[option["$ref"].rsplit("/", 1)[1]]
                if isinstance(made.get(name), dict):
                    made[name] = _marked(made[name], inner, definitions)
            elif option.get("type") == "string" and not _BOUND & set(option):
                most = option.get("maxLength", 2_000)
                if not name.endswith(("_id", "_key", "_uid")):
                    made[name] = (LONG if most > len(LONG) else MARK)[:most]
    return made


def _all_marked(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _all_marked(one) for name, one in value.items()}
    if isinstance(value, list):
        return [_all_marked(one) for one in value]
    return MARK if isinstance(value, str) else value
