"""A small, sound folder of a campaign, made by hand: three studies, one in each record."""

from __future__ import annotations

import base64
import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.faults.kept import TABLES
from tests.faults.truth import Addendum, Book, Charge, Fact, Poison, Signature, Study

HASH = "ab" * 32
SECTIONS = "Views\nTwo of two planned views obtained (invented)."
DRAFT = f"DRAFT\n\nImaging note, Invented\n\n{SECTIONS}\n\nContent hash (SHA-256): {HASH}\n"
ADDENDUM = "Invented addendum: nothing was left out."
NAMESPACE = "https://gomphosis.invalid/fhir"
FHIR, HL7, FOLDER = "2.25.1", "2.25.2", "2.25.3"
SITES = {FHIR: "north", HL7: "middle", FOLDER: "south"}
CODES = {"INV-UR": "41.30", "INV-LR": "27.45"}


def patient_of(study: str) -> str:
    return f"INV001-00000{study[-1]}"


def signed(study: str, *, addendum: str = "") -> str:
    """Give the text of the signed note of a study."""
    head = f"SIGNED\n\nImaging note, Invented\n\n{SECTIONS}\n\n{addendum}\n"
    return f"{head}Signed by vet-1 for {patient_of(study)}\nContent hash (SHA-256): {HASH}\n"


@dataclass(frozen=True, slots=True)
class Dump:
    """The folder, and how to change what is in it."""

    folder: Path

    @property
    def journal(self) -> Path:
        return self.folder / "dump" / "fhir.jsonl"

    @property
    def store(self) -> Path:
        return self.folder / "dump" / "store.sqlite"

    @property
    def charges(self) -> Path:
        return self.folder / "record" / "charges" / SITES[FOLDER] / FOLDER

    @property
    def notes(self) -> Path:
        return self.folder / "record" / "notes" / SITES[FOLDER] / FOLDER

    def sql(self, statement: str, *values: Any) -> None:
        with closing(sqlite3.connect(self.store)) as connection, connection:
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute(statement, values)

    @contextmanager
    def fhir(self) -> Iterator[list[dict[str, Any]]]:
        """Give the journal's resources to be changed."""
        held = [json.loads(line) for line in self.journal.read_text().splitlines()]
        yield held
        self.journal.write_text("".join(json.dumps(one) + "\n" for one in held))

    @contextmanager
    def hl7(self) -> Iterator[dict[str, Any]]:
        path = self.folder / "dump" / "hl7.json"
        held = json.loads(path.read_text())
        yield held
        path.write_text(json.dumps(held))

    def put(self, path: Path, content: dict[str, Any]) -> None:
        """Write an entry of the folder record, with the checksum of its content."""
        path.parent.mkdir(parents=True, exist_ok=True)
        body = json.dumps(content, sort_keys=True, separators=(",", ":")).encode()
        digest = hashlib.sha256(body).hexdigest()
        path.write_text(json.dumps({"sha256": digest, "content": content}))


def make(folder: Path) -> Dump:
    """Make the folder."""
    dump = Dump(folder)
    (folder / "dump").mkdir(parents=True)
    _happened(folder)
    _store(dump)
    _fhir_record(dump)
    _hl7_record(dump)
    _folder_record(dump)
    return dump


def _happened(folder: Path) -> None:
    book = Book(folder)
    for study, site in SITES.items():
        number = study[-1]
        book.happens(
            Study(
                study=study,
                site=site,
                room="dental-1",
                patient=patient_of(study),
                account=None if study == FHIR else f"INVACC{number}",
                order_id=number,
                images=(f"{study}.1", f"{study}.2"),
                exposures=((f"INVENTED-{site}", 1), (f"INVENTED-{site}", 2)),
                charges=tuple(Charge(code, 1, amount) for code, amount in CODES.items()),
                noted=True,
            )
        )
        book.acknowledged(
            Fact(site, "exposure_ended", f"exposure:INVENTED-{site}:1"),
            Fact(site, "image_stored", f"{study}.1"),
            Fact(site, "order_placed", number),
            Signature(site, study, "00" * 32, DRAFT.replace(HASH, "00" * 32)),  # void: it changed
            Signature(site, study, HASH, DRAFT),
            Poison(f"poison-{site}", "http"),
        )
    book.acknowledged(Addendum(SITES[FOLDER], FOLDER, ADDENDUM))
    book.close()


def _store(dump: Dump) -> None:
    for table, columns in TABLES.items():
        dump.sql(f"CREATE TABLE {table} ({', '.join(columns)})")
    for study, site in SITES.items():
        for number in (1, 2):
            exposure = {"generator_serial": f"INVENTED-{site}", "exposure_counter": number}
            key = f"exposure:INVENTED-{site}:{number}"
            keep_fact(dump, site, key, "exposure_ended", exposure)
            uid = f"{study}.{number}"
            keep_fact(dump, site, f"image:{uid}:x", "image_stored", {"sop_instance_uid": uid})
        order = {"order_id": study[-1]}
        keep_fact(dump, site, f"order:{study[-1]}:1", "order_placed", order)
        dump.sql("INSERT INTO runtime_triage VALUES (?)", f"told poison-{site} there".encode())


def keep_fact(dump: Dump, site: str, key: str, kind: str, payload: dict[str, Any]) -> None:
    """Put a fact where intake and assessment keep theirs."""
    body = json.dumps({"payload": payload}).encode()
    dump.sql("INSERT INTO intake_fact VALUES (?, ?, ?, ?)", site, key, kind, body)
    dump.sql("INSERT INTO assessment_fact VALUES (?, ?)", site, key)


def _fhir_record(dump: Dump) -> None:
    dump.journal.touch()
    with dump.fhir() as held:
        for number, study in enumerate(SITES, 1):
            held.append(
                {
                    "resourceType": "Patient",
                    "id": f"p{number}",
                    "identifier": [{"value": patient_of(study)}],
                }
            )
        ours = {"url": "posting", "extension": [{"url": "site", "valueString": "north"}]}
        for number, (code, amount) in enumerate(CODES.items(), 1):
            held.append(
                {
                    "resourceType": "ChargeItem",
                    "id": f"c{number}",
                    "status": "billable",
                    "identifier": _identifiers(f"charge:{FHIR}:{number}"),
                    "subject": {"reference": "Patient/p1"},
                    "code": {"coding": [{"code": code}]},
                    "quantity": {"value": 1},
                    "priceOverride": {"value": float(amount), "currency": "EUR"},
                    "extension": [ours],
                }
            )
        images = [{"instance": [{"uid": f"{FHIR}.{number}"} for number in (1, 2)]}]
        held.append({"resourceType": "ImagingStudy", "id": "i1", "series": images})
        for number, text in enumerate((DRAFT, signed(FHIR)), 1):
            held.append(
                {
                    "resourceType": "DocumentReference",
                    "id": f"d{number}",
                    "identifier": _identifiers(f"note:{FHIR}:{number}"),
                    "status": "current",
                    "docStatus": "final" if number == 2 else "preliminary",
                    "subject": {"reference": "Patient/p1"},
                    "content": [{"attachment": attached(text)}],
                    "context": {"related": [{"reference": "ImagingStudy/i1"}]},
                    "extension": [ours],
                }
            )


def attached(text: str) -> dict[str, Any]:
    data = base64.b64encode(text.encode()).decode()
    return {"contentType": "text/plain; charset=utf-8", "data": data}


def _identifiers(key: str) -> list[dict[str, str]]:
    return [
        {"system": f"{NAMESPACE}/posting-key", "value": key},
        {"system": f"{NAMESPACE}/study", "value": FHIR},
    ]


def _hl7_record(dump: Dump) -> None:
    whose = {"patient_id": patient_of(HL7), "study_instance_uid": HL7}
    lines = [
        {
            "reference": f"R{number}",
            "posting_key": f"charge:{HL7}:{number}",
            "type": "CG",
            "site": SITES[HL7],
            "account": f"INVACC{HL7[-1]}",
            "code": code,
            "quantity": "1",
            "amount": amount,
            **whose,
        }
        for number, (code, amount) in enumerate(CODES.items(), 1)
    ]
    notes = [
        {"kind": kind, "number": number, "status": status, "text": text, **whose}
        for kind, number, status, text in (
            ("ORU", "N1", "P", DRAFT),
            ("ORU", "N2", "F", signed(HL7)),
            ("MDM", "N2", "AU", signed(HL7)),
        )
    ]
    path = dump.folder / "dump" / "hl7.json"
    path.write_text(json.dumps({"lines": lines, "notes": notes}))


def _folder_record(dump: Dump) -> None:
    whose = {"site": SITES[FOLDER], "study_instance_uid": FOLDER}
    for number, (code, amount) in enumerate(CODES.items(), 1):
        entry = {"type": "charge", "code": code, "quantity": 1, "amount": amount}
        content = {
            **whose,
            "patient_id": patient_of(FOLDER),
            "account": f"INVACC{FOLDER[-1]}",
            "entry": {**entry, "posting_key": f"charge:{FOLDER}:{number}"},
        }
        dump.put(dump.charges / f"{number}.json", content)
    texts = (DRAFT, signed(FOLDER), signed(FOLDER, addendum=ADDENDUM))
    for number, text in enumerate(texts, 1):
        put_note(dump, number, text, "preliminary" if number == 1 else "final")


def put_note(dump: Dump, revision: int, text: str, status: str, **note: str) -> None:
    """Put a revision of the note into the folder record."""
    name = f"{revision}.txt"
    told = {"study_instance_uid": FOLDER, "patient_id": patient_of(FOLDER), **note}
    files = {name: hashlib.sha256(text.encode()).hexdigest()}
    content = {"site": SITES[FOLDER], "status": status, "note": told, "files": files}
    dump.put(dump.notes / f"{revision}.json", content)
    (dump.notes / name).write_text(text)
