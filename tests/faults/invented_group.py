"""An invented group of three hospitals, each with another kind of patient record, as files.

Names, prices, plans and codes are invented. The tariff is chosen so that a few lines of plain
arithmetic give what a study costs: one code for each view obtained, and a most for a study.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import yaml

from tests.faults.by_site import NAME, write_entry_point
from tests.faults.doors import Doors, token_of
from tests.servers.stand_in import ROOT

GROUP = "invented-group"
CALLED = "GOMPHOSIS"
PATIENT_SYSTEM = "https://record.invalid/patient-id"
HL7_SENDER = "INVREC"
ROOMS = ("dental-1", "dental-2")


@dataclass(frozen=True, slots=True)
class View:
    """A view of the invented plans: the teeth that it shows, its code on a bill and its price."""

    code: str
    teeth: tuple[int, ...]
    region: str
    charge: str
    price: Decimal


VIEWS: dict[str, View] = {
    one.code: one
    for one in (
        View("v-up-right", (107, 108, 109), "maxillary_cheek_teeth", "INV-UR", Decimal("41.30")),
        View("v-low-right", (407, 408, 409), "mandibular_cheek_teeth", "INV-LR", Decimal("27.45")),
        View("v-up-left", (207, 208, 209), "maxillary_cheek_teeth", "INV-UL", Decimal("33.10")),
        View("v-low-left", (307, 308, 309), "mandibular_cheek_teeth", "INV-LL", Decimal("19.80")),
    )
}
MOST_A_STUDY = Decimal("95.00")
CURRENCY = "EUR"

PLANS: dict[str, tuple[str, ...]] = {
    f"invented-{len(codes)}": codes for codes in (tuple(VIEWS)[:2], tuple(VIEWS)[:3], tuple(VIEWS))
}


@dataclass(frozen=True, slots=True)
class Hospital:
    """One site. ``record`` is the adapter of its patient record."""

    name: str
    record: str
    zone: str

    @property
    def facility(self) -> str:
        return self.name.upper()

    def ae_title(self, room: str) -> str:
        return f"INV{self.name.upper()}{room[-1]}"

    def serial(self, room: str) -> str:
        return f"INVENTED-{self.name.upper()}-{room[-1]}"


HOSPITALS = (
    Hospital("north", "fhir", "Europe/Vienna"),
    Hospital("middle", "hl7", "Europe/Lisbon"),
    Hospital("south", "folder", "UTC"),
)


def generator_of(room: str) -> str:
    return f"generator-{room[-1]}"


def order_code(plan: str) -> str:
    """Give the code by which a record orders a plan."""
    return plan.upper()


def write_group(folder: Path, doors: Doors) -> None:
    """Write the group's folder, and beside it what makes its record adapter known."""
    folder.mkdir(parents=True, exist_ok=True)
    _write(folder / "group.yaml", _group())
    _write(folder / "tariffs" / "invented.yaml", _tariff())
    _write(folder / "record_codes.yaml", _record_codes())
    for code, views in PLANS.items():
        _write(folder / "plans" / f"{code}.yaml", _plan(code, views))
    Path(doors.record_folder, "orders").mkdir(parents=True, exist_ok=True)
    write_entry_point(folder)


def settings_of(folder: Path, doors: Doors) -> dict[str, str]:
    """Give the environment variables that this group needs, for a folder of ``write_group``.

    Where the services listen (but MLLP), their store and bus are for the deployment to say.
    """
    return {
        "PYTHONPATH": f"{ROOT}:{folder / 'adapters'}",
        "GOMPHOSIS_GROUP_DIR": str(folder),
        "GOMPHOSIS_CONSOLE__TOKEN": token_of(HOSPITALS[0].name, "console-1"),
        "GOMPHOSIS_INTAKE__MLLP__ENABLED": "true",
        "GOMPHOSIS_INTAKE__MLLP__HOST": doors.mllp[0],
        "GOMPHOSIS_INTAKE__MLLP__PORT": str(doors.mllp[1]),
        "GOMPHOSIS_RECORDS__ADAPTER": NAME,
        "GOMPHOSIS_RECORDS__OPTIONS": json.dumps(_adapter_options(doors)),
    }


def _adapter_options(doors: Doors) -> dict[str, str]:
    host, port = doors.hl7_record
    own = {
        "fhir": {"base_url": doors.fhir_record, "patient_system": PATIENT_SYSTEM},
        "hl7": {"host": host, "port": str(port)},
        "folder": {"path": doors.record_folder},
    }
    timeout = {"fhir": {"timeout_s": "10"}, "hl7": {"timeout_s": "10"}, "folder": {}}
    return {
        f"{one.name}.{option}": value
        for one in HOSPITALS
        for option, value in (
            {"adapter": one.record} | own[one.record] | timeout[one.record]
        ).items()
    }


def _group() -> dict[str, Any]:
    return {
        "name": GROUP,
        "title": "Invented Group of Three",
        "sites": [_site(one) for one in HOSPITALS],
    }


def _site(hospital: Hospital) -> dict[str, Any]:
    def known(name: str, **more: Any) -> dict[str, Any]:
        digest = hashlib.sha256(token_of(hospital.name, name).encode()).hexdigest()
        return {"name": name, "token_sha256": digest, **more}

    here = ["127.0.0.0/8"]
    devices = [known("record-1", kind="record", addresses=here)]
    devices += [known("tablet-1", kind="tablet")]
    devices += [known("console-1", kind="console", speaks_for="group")]
    for room in ROOMS:
        tube = {
            "total_filtration_mm_al": 2.0,
            "anode_angle_degrees": 16.0,
            "source_to_skin_mm": 200.0,
            "field_diameter_mm": 60.0,
        }
        presets = {code: list(view.teeth) for code, view in VIEWS.items()}
        more = {"room": room, "serial": hospital.serial(room), "tube": tube, "presets": presets}
        devices.append(known(generator_of(room), kind="generator", **more))
        title = hospital.ae_title(room)
        station = {"room": room, "ae_title": title, "addresses": here}
        devices.append(known(f"station-{room[-1]}", kind="station", **station))
    return {
        "name": hospital.name,
        "title": f"Invented Hospital {hospital.name.title()}",
        "time_zone": hospital.zone,
        "called_ae_title": CALLED,
        "rooms": list(ROOMS),
        "tariff": "invented",
        "devices": devices,
        "people": [
            known("tech-1", title="Invented Technician", roles=["technician"]),
            known("vet-1", title="Invented Vet", roles=["vet"]),
        ],
    }


def _tariff() -> dict[str, Any]:
    return {
        "code": "invented",
        "title": "Invented tariff of a fault campaign",
        "currency": CURRENCY,
        "valid_from": "2026-01-01",
        "basis": "invented",
        "note": "Invented prices, taken from nobody.",
        "articles": {
            view.charge: {"description": f"{code} (invented)", "unit_amount": str(view.price)}
            for code, view in VIEWS.items()
        },
        "views": [
            {
                "name": code,
                "when": {"views": [code]},
                "first": view.charge,
                "further": view.charge,
            }
            for code, view in VIEWS.items()
        ],
        "caps": {"study_amount": str(MOST_A_STUDY)},
    }


def _plan(code: str, views: tuple[str, ...]) -> dict[str, Any]:
    return {
        "code": code,
        "name": f"{len(views)} views (invented)",
        "species": "dog",
        "dentition": "permanent",
        "scope": "regional",
        "on_request_only": True,
        "source": [{"citation": "Invented for a fault campaign.", "basis": "invented"}],
        "cautions": ["Nobody holds the receptor or the animal during an exposure."],
        "views": [
            {
                "code": name,
                "name": f"{name} (invented)",
                "teeth": list(VIEWS[name].teeth),
                "region": VIEWS[name].region,
                "technique": "parallel",
                "receptor_size": 2,
                "positioning": "As trained; this invented plan gives none.",
            }
            for name in views
        ],
    }


def _record_codes() -> dict[str, Any]:
    return {
        "senders": [
            {
                "application": HL7_SENDER,
                "facility": one.facility,
                "site": one.name,
                "device": "record-1",
            }
            for one in HOSPITALS
            if one.record == "hl7"
        ],
        "orders": {order_code(plan): plan for plan in PLANS},
        "species": {"CANINE": "dog"},
        "sexes": {"F": {"sex": "female"}, "female": {"sex": "female"}},
        "rooms": {room.upper(): room for room in ROOMS},
        "weight_codes": [],
        "weight_units": {},
    }


def _write(path: Path, content: dict[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
