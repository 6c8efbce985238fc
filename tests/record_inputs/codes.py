"""The invented group's table of record codes, and the group with a record that may call."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import yaml

from schemas.group import Group, Site
from schemas.mappings.record_codes import RecordCodes
from tests.intake_support import GROUP

CODES: dict[str, Any] = {
    "senders": [
        {"application": "INVREC", "facility": "NORTH", "site": "north", "device": "record-north"}
    ],
    "orders": {"INV-DENT-DOG": "dog-full-mouth", "INV-DENT-CAT": "cat-full-mouth"},
    "orders_not_ours": ["INV-THORAX"],
    "species": {"CANINE": "dog", "448771007": "dog", "canislf": "dog", "FELINE": "cat"},
    "species_not_ours": ["EQUINE"],
    "sexes": {
        "M": {"sex": "male"},
        "F": {"sex": "female"},
        "INV-FS": {"sex": "female", "neutered": True},
        "male": {"sex": "male"},
        "female": {"sex": "female"},
        "U": {},
    },
    "neutered": {"neutered": True, "intact": False},
    "rooms": {"INV-DENTAL-1": "dental-1", "INV-DENTAL-2": "dental-2"},
    "weight_codes": ["29463-7"],
    "weight_units": {"kg": "kg", "[lb_av]": "lb"},
}


def codes(**changes: Any) -> RecordCodes:
    return RecordCodes.model_validate_json(json.dumps(CODES | changes))


def record_group(**device: Any) -> dict[str, Any]:
    """The invented group, whose record may call from loopback; ``device`` changes the record."""
    group = copy.deepcopy(GROUP)
    for one in group["sites"][0]["devices"]:
        if one["kind"] == "record":
            one.update({"addresses": ["127.0.0.0/8"]} | device)
    return group


def north() -> Site:
    return Group.model_validate_json(json.dumps(record_group())).site("north")


def write_codes(data_dir: Path, **changes: Any) -> None:
    """Put the table beside the group's file that ``running_intake`` writes."""
    folder = data_dir / "group"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "record_codes.yaml").write_text(yaml.safe_dump(CODES | changes), encoding="utf-8")
