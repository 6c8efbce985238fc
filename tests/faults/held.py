"""What the three records hold, read from their own dumps. Part of the checker: stdlib alone."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

Json = dict[str, Any]


@dataclass(frozen=True)
class Line:
    """A line of an account. A credit's quantity and amount are negative."""

    site: str
    study: str
    patient: str
    account: str | None
    code: str
    quantity: int
    amount: Decimal
    key: str
    where: str


@dataclass(frozen=True)
class Note:
    """A revision of a note. ``images``: those that the record lists with it, where it does.

    ``final``: it says of itself that a vet has signed it.
    """

    site: str
    study: str
    patient: str
    final: bool
    text: str
    where: str
    images: tuple[str, ...] = ()


@dataclass(frozen=True)
class Held:
    """All that a record holds. ``altered`` names what is no longer what it was at first."""

    lines: tuple[Line, ...]
    notes: tuple[Note, ...]
    altered: tuple[str, ...] = ()


def read_all(folder: Path) -> Held:
    """Read the dumps of a campaign's folder: ``dump/fhir.jsonl``, ``dump/hl7.json``, ``record``."""
    records = (
        _fhir(folder / "dump" / "fhir.jsonl"),
        _hl7(folder / "dump" / "hl7.json"),
        _folder(folder / "record"),
    )
    return Held(
        tuple(line for one in records for line in one.lines),
        tuple(note for one in records for note in one.notes),
        tuple(where for one in records for where in one.altered),
    )


def _fhir(path: Path) -> Held:
    """Read a journal: one version of a resource in each line, the newest last."""
    versions: dict[str, list[Json]] = {}
    with path.open(encoding="utf-8") as file:
        for text in file:
            one = json.loads(text)
            versions.setdefault(f"{one['resourceType']}/{one['id']}", []).append(one)
    newest = {name: all_of_it[-1] for name, all_of_it in versions.items()}
    altered = [
        name
        for name, all_of_it in versions.items()
        if name.startswith("DocumentReference/") and len({_data(one) for one in all_of_it}) > 1
    ]
    lines, notes = list[Line](), list[Note]()
    for name, one in newest.items():
        if one["resourceType"] == "ChargeItem" and one["status"] in {"billable", "billed"}:
            lines.append(_charge_item(name, one, newest))
        elif one["resourceType"] == "DocumentReference":
            notes.append(_document(name, one, newest))
    return Held(tuple(lines), tuple(notes), tuple(altered))


def _charge_item(name: str, item: Json, held: dict[str, Json]) -> Line:
    amount = Decimal(str(item["priceOverride"]["value"]))
    sign = -1 if amount < 0 else 1
    account = item["account"][0]["identifier"]["value"] if "account" in item else None
    return Line(
        site=_told(item)["site"],
        study=_identifier(item, "/study"),
        patient=_patient(item["subject"], held),
        account=account,
        code=item["code"]["coding"][0]["code"],
        quantity=sign * int(item["quantity"]["value"]),
        amount=amount,
        key=_identifier(item, "/posting-key"),
        where=name,
    )


def _document(name: str, document: Json, held: dict[str, Json]) -> Note:
    texts = [
        base64.b64decode(one["attachment"]["data"]).decode()
        for one in document["content"]
        if one["attachment"]["contentType"].startswith("text/plain")
    ]
    related = [one["reference"] for one in document.get("context", {}).get("related", [])]
    images = [
        instance["uid"]
        for reference in related
        if reference.startswith("ImagingStudy/")
        for series in held[reference].get("series", [])
        for instance in series.get("instance", [])
    ]
    return Note(
        site=_told(document)["site"],
        study=_identifier(document, "/study"),
        patient=_patient(document["subject"], held),
        final=document["docStatus"] != "preliminary",
        text=texts[0],
        where=name,
        images=tuple(images),
    )


def _patient(subject: Json, held: dict[str, Json]) -> str:
    """Give whom a resource is filed under: the Patient that it refers to, before what it says."""
    if "reference" in subject:
        return str(held[subject["reference"]]["identifier"][0]["value"])
    return str(subject["identifier"]["value"])


def _identifier(resource: Json, ending: str) -> str:
    for one in resource["identifier"]:
        if one.get("system", "").endswith(ending):
            return str(one["value"])
    return ""


def _told(resource: Json) -> dict[str, str]:
    return {
        part["url"]: part["valueString"]
        for extension in resource["extension"]
        for part in extension.get("extension", [])
        if "valueString" in part
    }


def _data(document: Json) -> str:
    return json.dumps([one["attachment"]["data"] for one in document["content"]])


def _hl7(path: Path) -> Held:
    held = json.loads(path.read_text(encoding="utf-8"))
    lines = []
    for one in held["lines"]:
        sign = -1 if one["type"] == "CD" else 1
        lines.append(
            Line(
                site=one["site"],
                study=one["study_instance_uid"],
                patient=one["patient_id"],
                account=one["account"] or None,
                code=one["code"],
                quantity=sign * int(one["quantity"]),
                amount=sign * Decimal(one["amount"]),
                key=one["posting_key"],
                where=f"FT1 {one['reference']}",
            )
        )
    notes = [
        Note(
            site=one.get("site", ""),
            study=one["study_instance_uid"],
            patient=one["patient_id"],
            final=one["kind"] == "MDM" or one["status"] != "P",
            text=one["text"],
            where=f"{one['kind']} {one['number']}",
        )
        for one in held["notes"]
    ]
    return Held(tuple(lines), tuple(notes))


def _folder(root: Path) -> Held:
    lines, notes, altered = list[Line](), list[Note](), list[str]()
    for path, content, whole in _entries(root, "charges"):
        entry, where = content["entry"], str(path.relative_to(root))
        sign = -1 if entry["type"] == "credit" else 1
        lines.append(
            Line(
                site=content["site"],
                study=content["study_instance_uid"],
                patient=content["patient_id"],
                account=content["account"],
                code=entry["code"],
                quantity=sign * int(entry["quantity"]),
                amount=sign * Decimal(entry["amount"]),
                key=entry["posting_key"],
                where=where,
            )
        )
        if not whole:
            altered.append(where)
    for path, content, whole in _entries(root, "notes"):
        told, where = content["note"], str(path.relative_to(root))
        notes.append(
            Note(
                site=content["site"],
                study=told["study_instance_uid"],
                patient=told["patient_id"],
                final=content["status"] != "preliminary",
                text=path.with_suffix(".txt").read_text(encoding="utf-8"),
                where=where,
            )
        )
        told_files = content["files"].items()
        if not whole or any(_digest(path.with_name(name)) != sha for name, sha in told_files):
            altered.append(where)
    return Held(tuple(lines), tuple(notes), tuple(altered))


def _entries(root: Path, kind: str) -> Iterator[tuple[Path, Json, bool]]:
    """Give each entry with its content, and whether that is what its checksum is of."""
    for path in sorted(root.glob(f"{kind}/*/*/*.json")):
        if path.name.endswith(".answer.json"):
            continue
        held = json.loads(path.read_text(encoding="utf-8"))
        content = held["content"]
        body = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        yield path, content, hashlib.sha256(body.encode()).hexdigest() == held["sha256"]


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
