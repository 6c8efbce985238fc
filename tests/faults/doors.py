"""Where everything of a deployment is: our doors, the three stand-in records, the store."""

from __future__ import annotations

import json
import shutil
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.faults.kept import copy_store

Address = tuple[str, int]

RECORD = "record"
DUMP = "dump"


@dataclass(frozen=True, slots=True)
class Doors:
    """Addresses in three groups.

    Ours, as senders reach them: ``http_url``, ``dicom``, ``mllp``. The records, as our services
    reach them: ``fhir_record`` (its base URL), ``hl7_record``. Past all proxies, for the one who
    looks: ``fhir_folder`` (of its journal), ``hl7_control``, ``store_url``. ``record_folder`` is
    both: the folder that is the third record.
    """

    http_url: str
    dicom: Address
    mllp: Address
    fhir_record: str
    hl7_record: Address
    fhir_folder: str
    hl7_control: Address
    record_folder: str
    store_url: str


def token_of(site: str, holder: str) -> str:
    """Give the token of a device or person. It is worth nothing outside an invented group."""
    return f"invented-token-of-{site}-{holder}"


def ask_hl7_record(doors: Doors, **told: Any) -> dict[str, Any]:
    """Tell the HL7 stand-in something at its control port; give what it holds."""
    with socket.create_connection(doors.hl7_control, timeout=60) as connection:
        connection.sendall(json.dumps(told).encode() + b"\n")
        answer: dict[str, Any] = json.loads(connection.makefile("rb").readline())
        return answer


def dump_records(doors: Doors, folder: Path) -> None:
    """Put what each record holds, and what the store keeps, where the checker looks for it.

    The folder that is a record is looked at where it lies.
    """
    dump = folder / DUMP
    dump.mkdir(exist_ok=True)
    held = ask_hl7_record(doors)
    kept = {name: held[name] for name in ("lines", "notes")}
    (dump / "hl7.json").write_text(json.dumps(kept), encoding="utf-8")
    shutil.copyfile(Path(doors.fhir_folder) / "journal.jsonl", dump / "fhir.jsonl")
    copy_store(doors.store_url, dump / "store.sqlite")
