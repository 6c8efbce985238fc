"""Errors planted in what a real run has left, to see that the checker finds them there as well."""

from __future__ import annotations

import base64
import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, TypeVar

from tests.faults.checker import Kind, check

Json = dict[str, Any]
T = TypeVar("T")
Plant = Callable[[Path], None]


class CannotPlantError(RuntimeError):
    """The run has left nothing to plant this in."""


def missed(folder: Path) -> list[str]:
    """Plant each error in a copy of a sound folder; name those that the checker did not find."""
    found = {name: _kinds(folder, plant) for name, (_, plant) in PLANTS.items()}
    return [name for name, (kind, _) in PLANTS.items() if kind not in found[name]]


def _kinds(folder: Path, plant: Plant) -> set[Kind]:
    copy = folder.with_name(f"{folder.name}-planted")
    copy.mkdir()
    for name in ("truth.jsonl", "acknowledged.jsonl"):
        shutil.copy(folder / name, copy)
    for name in ("dump", "record"):
        shutil.copytree(folder / name, copy / name)
    try:
        plant(copy)
        return {one.kind for one in check(copy).findings}
    finally:
        shutil.rmtree(copy)


def _lose_a_charge_of_the_fhir_record(folder: Path) -> None:
    with _journal(folder) as held:
        held.remove(_first(held, _is_charge))


def _double_a_charge_of_the_fhir_record(folder: Path) -> None:
    with _journal(folder) as held:
        held.append(_first(held, _is_charge) | {"id": "planted"})


def _move_a_charge_to_another_patient(folder: Path) -> None:
    with _journal(folder) as held:
        charge = _first(held, _is_charge)
        patients = [f"Patient/{one['id']}" for one in held if one["resourceType"] == "Patient"]
        mine = charge["subject"]["reference"]
        charge["subject"]["reference"] = next(one for one in patients if one != mine)


def _change_a_signed_note_of_the_fhir_record(folder: Path) -> None:
    with _journal(folder) as held:
        for one in held:
            if one["resourceType"] == "DocumentReference" and one["docStatus"] != "preliminary":
                for content in one["content"]:
                    attachment = content["attachment"]
                    text = base64.b64decode(attachment["data"]).decode()
                    changed = text.replace("Indication", "Another indication")
                    attachment["data"] = base64.b64encode(changed.encode()).decode()


def _lose_a_line_of_the_hl7_record(folder: Path) -> None:
    with _hl7(folder) as held:
        held["lines"].remove(_first(held["lines"], lambda one: one["type"] == "CG"))


def _double_a_line_of_the_hl7_record(folder: Path) -> None:
    with _hl7(folder) as held:
        line = _first(held["lines"], lambda one: one["type"] == "CG")
        held["lines"].append(line | {"reference": "planted", "posting_key": "planted"})


def _lose_the_signed_notes_of_the_hl7_record(folder: Path) -> None:
    with _hl7(folder) as held:
        drafts = [one for one in held["notes"] if one["status"] == "P"]
        if len(drafts) == len(held["notes"]):
            raise CannotPlantError("no signed note in the HL7 record")
        held["notes"] = drafts


def _lose_a_charge_of_the_folder(folder: Path) -> None:
    _first(sorted((folder / "record" / "charges").rglob("*.json")), lambda _: True).unlink()


def _alter_a_note_of_the_folder(folder: Path) -> None:
    path = _first(sorted((folder / "record" / "notes").rglob("*.txt")), lambda _: True)
    path.write_text(path.read_text(encoding="utf-8") + "\nplanted", encoding="utf-8")


def _lose_a_fact_at_intake(folder: Path) -> None:
    _sql(folder, "DELETE FROM intake_fact WHERE kind = 'study_closed'")


def _lose_facts_on_the_bus(folder: Path) -> None:
    _sql(folder, "DELETE FROM assessment_fact WHERE natural_key LIKE 'exposure:%'")


def _lose_poison(folder: Path) -> None:
    _sql(folder, "DELETE FROM runtime_triage")


PLANTS: dict[str, tuple[Kind, Plant]] = {
    plant.__name__.strip("_").replace("_", " "): (kind, plant)
    for kind, plant in (
        (Kind.LOST_CHARGE, _lose_a_charge_of_the_fhir_record),
        (Kind.DOUBLED_CHARGE, _double_a_charge_of_the_fhir_record),
        (Kind.WRONG_PATIENT_CHARGE, _move_a_charge_to_another_patient),
        (Kind.CHANGED_SIGNED_NOTE, _change_a_signed_note_of_the_fhir_record),
        (Kind.LOST_CHARGE, _lose_a_line_of_the_hl7_record),
        (Kind.DOUBLED_CHARGE, _double_a_line_of_the_hl7_record),
        (Kind.LOST_SIGNED_NOTE, _lose_the_signed_notes_of_the_hl7_record),
        (Kind.LOST_CHARGE, _lose_a_charge_of_the_folder),
        (Kind.ALTERED_ENTRY, _alter_a_note_of_the_folder),
        (Kind.LOST_FACT, _lose_a_fact_at_intake),
        (Kind.LOST_FACT, _lose_facts_on_the_bus),
        (Kind.LOST_POISON, _lose_poison),
    )
}


def _is_charge(one: Json) -> bool:
    return one["resourceType"] == "ChargeItem" and bool(one["priceOverride"]["value"] > 0)


def _first(held: list[T], fits: Callable[[T], bool]) -> T:
    found = next((one for one in held if fits(one)), None)
    if found is None:
        raise CannotPlantError("the run has left none of this kind")
    return found


@contextmanager
def _journal(folder: Path) -> Iterator[list[Json]]:
    path = folder / "dump" / "fhir.jsonl"
    held = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    yield held
    path.write_text("".join(json.dumps(one) + "\n" for one in held), encoding="utf-8")


@contextmanager
def _hl7(folder: Path) -> Iterator[Json]:
    path = folder / "dump" / "hl7.json"
    held = json.loads(path.read_text(encoding="utf-8"))
    yield held
    path.write_text(json.dumps(held), encoding="utf-8")


def _sql(folder: Path, statement: str) -> None:
    with closing(sqlite3.connect(folder / "dump" / "store.sqlite")) as connection, connection:
        if connection.execute(statement).rowcount == 0:
            raise CannotPlantError(f"nothing to plant in: {statement}")
