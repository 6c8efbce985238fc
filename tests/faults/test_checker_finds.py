"""The checker finds each kind of error that is planted, and nothing in what is sound."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults import sound_dump
from tests.faults.checker import Kind, check
from tests.faults.kept import copy_store, read_kept
from tests.faults.sound_dump import (
    CODES,
    DRAFT,
    FHIR,
    FOLDER,
    HASH,
    HL7,
    SECTIONS,
    Dump,
    attached,
    make,
    patient_of,
    put_note,
    signed,
)
from tests.servers.stand_in import ROOT

Plant = Callable[[Dump], None]
PLANTS: dict[str, tuple[Kind, Plant]] = {}


def plants(kind: Kind) -> Callable[[Plant], Plant]:
    """Note down a function that plants one error of a kind."""

    def note(plant: Plant) -> Plant:
        PLANTS[plant.__name__] = (kind, plant)
        return plant

    return note


@pytest.fixture
def dump(tmp_path: Path) -> Dump:
    return make(tmp_path / "campaign")


def test_a_sound_campaign_has_no_finding(dump: Dump) -> None:
    checked = check(dump.folder)

    assert checked.findings == ()
    assert checked.looked_at["studies"] == 3
    assert checked.looked_at["lines in the records"] == 6
    assert checked.looked_at["notes in the records"] == 8


# Facts


@plants(Kind.LOST_FACT)
def an_acknowledged_exposure_is_nowhere(dump: Dump) -> None:
    for table in ("intake_fact", "assessment_fact"):
        dump.sql(f"DELETE FROM {table} WHERE natural_key = 'exposure:INVENTED-north:1'")


@plants(Kind.LOST_FACT)
def an_acknowledged_image_is_nowhere(dump: Dump) -> None:
    for table in ("intake_fact", "assessment_fact"):
        dump.sql(f"DELETE FROM {table} WHERE natural_key = 'image:{HL7}.1:x'")


@plants(Kind.LOST_FACT)
def an_acknowledged_order_is_nowhere(dump: Dump) -> None:
    for table in ("intake_fact", "assessment_fact"):
        dump.sql(f"DELETE FROM {table} WHERE natural_key = 'order:3:1'")


@plants(Kind.LOST_FACT)
def a_fact_was_lost_between_intake_and_assessment(dump: Dump) -> None:
    dump.sql("DELETE FROM assessment_fact WHERE natural_key = 'exposure:INVENTED-south:2'")


@plants(Kind.DOUBLED_FACT)
def an_exposure_is_kept_under_two_keys(dump: Dump) -> None:
    told = {"generator_serial": "INVENTED-north", "exposure_counter": 1}
    sound_dump.keep_fact(dump, "north", "exposure:another-key", "exposure_ended", told)


@plants(Kind.DOUBLED_FACT)
def an_image_is_kept_that_never_was(dump: Dump) -> None:
    told = {"sop_instance_uid": "2.25.999"}
    sound_dump.keep_fact(dump, "north", "image:2.25.999:x", "image_stored", told)


# Charges


@plants(Kind.LOST_CHARGE)
def a_charge_is_missing_in_the_fhir_record(dump: Dump) -> None:
    with dump.fhir() as held:
        held.remove(next(one for one in held if one["id"] == "c2"))


@plants(Kind.LOST_CHARGE)
def a_charge_is_missing_in_the_hl7_record(dump: Dump) -> None:
    with dump.hl7() as held:
        held["lines"].pop()


@plants(Kind.LOST_CHARGE)
def a_charge_is_missing_in_the_folder(dump: Dump) -> None:
    (dump.charges / "1.json").unlink()


@plants(Kind.LOST_CHARGE)
def a_charge_is_of_a_cent_too_little(dump: Dump) -> None:
    with dump.hl7() as held:
        held["lines"][0]["amount"] = "41.29"


@plants(Kind.LOST_CHARGE)
def a_charge_was_taken_back(dump: Dump) -> None:
    _add_line(dump, type="CD", posting_key="credit:1")


@plants(Kind.DOUBLED_CHARGE)
def a_charge_item_is_there_twice(dump: Dump) -> None:
    with dump.fhir() as held:
        held.append(next(one for one in held if one["id"] == "c1") | {"id": "c9"})


@plants(Kind.DOUBLED_CHARGE)
def a_line_is_there_twice_under_another_key(dump: Dump) -> None:
    _add_line(dump)


@plants(Kind.DOUBLED_CHARGE)
def a_file_is_there_twice(dump: Dump) -> None:
    shutil.copy(dump.charges / "1.json", dump.charges / "9.json")


@plants(Kind.DOUBLED_CHARGE)
def a_view_is_charged_that_was_never_made(dump: Dump) -> None:
    _add_line(dump, code="INV-LL")


@plants(Kind.WRONG_PATIENT_CHARGE)
def a_charge_is_on_another_patient_as_well(dump: Dump) -> None:
    with dump.fhir() as held:
        charge = next(one for one in held if one["id"] == "c1")
        others = json.loads(json.dumps(charge)) | {
            "id": "c9",
            "subject": {"reference": "Patient/p2"},
        }
        others["identifier"][0]["value"] = "charge:other"
        held.append(others)


@plants(Kind.WRONG_PATIENT_CHARGE)
def a_charge_is_on_another_account_as_well(dump: Dump) -> None:
    _add_line(dump, account="INVACC9")


@plants(Kind.WRONG_PATIENT_CHARGE)
def a_charge_is_of_a_study_that_nobody_knows(dump: Dump) -> None:
    _add_line(dump, study_instance_uid="2.25.999")


# Notes


@plants(Kind.LOST_NOTE)
def no_note_of_a_study_is_in_the_record(dump: Dump) -> None:
    _forget_signatures(dump, HL7)
    with dump.hl7() as held:
        held["notes"].clear()


@plants(Kind.WRONG_PATIENT_NOTE)
def a_note_is_filed_under_another_patient_as_well(dump: Dump) -> None:
    with dump.hl7() as held:
        held["notes"].append(held["notes"][0] | {"patient_id": patient_of(FHIR), "number": "N9"})


@plants(Kind.WRONG_PATIENT_NOTE)
def a_note_names_another_patient(dump: Dump) -> None:
    put_note(dump, 4, DRAFT.replace("DRAFT", f"DRAFT of {patient_of(HL7)}"), "preliminary")


@plants(Kind.WRONG_PATIENT_NOTE)
def a_note_lists_another_patients_image(dump: Dump) -> None:
    with dump.fhir() as held:
        imaging = next(one for one in held if one["id"] == "i1")
        imaging["series"][0]["instance"].append({"uid": f"{HL7}.1"})


@plants(Kind.LOST_SIGNED_NOTE)
def a_signed_note_never_came_to_the_record(dump: Dump) -> None:
    with dump.hl7() as held:
        held["notes"] = [one for one in held["notes"] if one["status"] == "P"]


@plants(Kind.CHANGED_SIGNED_NOTE)
def a_signed_note_says_something_else(dump: Dump) -> None:
    with dump.hl7() as held:
        for note in held["notes"]:
            note["text"] = note["text"].replace("Two of two", "One of two")


@plants(Kind.CHANGED_SIGNED_NOTE)
def a_later_revision_of_a_signed_note_says_something_else(dump: Dump) -> None:
    text = signed(FOLDER).replace(SECTIONS, "Views\nNone.")
    put_note(dump, 4, text, "appended")


@plants(Kind.CHANGED_SIGNED_NOTE)
def a_signed_note_bears_another_hash(dump: Dump) -> None:
    with dump.hl7() as held:
        for note in held["notes"]:
            note["text"] = note["text"].replace(HASH, "cd" * 32)


@plants(Kind.CHANGED_SIGNED_NOTE)
def nobody_signed_what_the_record_calls_signed(dump: Dump) -> None:
    _forget_signatures(dump, FHIR)


@plants(Kind.LOST_ADDENDUM)
def an_addendum_is_in_no_revision(dump: Dump) -> None:
    for name in ("3.json", "3.txt"):
        (dump.notes / name).unlink()


@plants(Kind.ALTERED_ENTRY)
def a_document_in_the_record_was_overwritten(dump: Dump) -> None:
    with dump.fhir() as held:
        before = next(one for one in held if one["id"] == "d1")
        held.append(before | {"content": [{"attachment": attached(f"{DRAFT}\n{SECTIONS}")}]})


@plants(Kind.ALTERED_ENTRY)
def a_file_beside_its_manifest_was_changed(dump: Dump) -> None:
    (dump.notes / "1.txt").write_text(DRAFT.replace("Two", "Three"))


@plants(Kind.LOST_POISON)
def poison_is_nowhere(dump: Dump) -> None:
    dump.sql("DELETE FROM runtime_triage WHERE CAST(body AS TEXT) LIKE '%poison-middle%'")


def _add_line(dump: Dump, **differing: str) -> None:
    """Add the HL7 record's first line once more: under another key, and with what differs."""
    with dump.hl7() as held:
        more = {"posting_key": "other", "reference": "R9"} | differing
        held["lines"].append(held["lines"][0] | more)


def _forget_signatures(dump: Dump, study: str) -> None:
    path = dump.folder / "acknowledged.jsonl"
    kept = [
        line
        for line in path.read_text().splitlines()
        if not ('"signature"' in line and f'"{study}"' in line)
    ]
    path.write_text("\n".join(kept) + "\n")


@pytest.mark.parametrize("name", PLANTS)
def test_a_planted_error_is_found_and_called_by_its_name(dump: Dump, name: str) -> None:
    kind, plant = PLANTS[name]

    plant(dump)

    assert {one.kind for one in check(dump.folder).findings} == {kind}


def test_a_copy_of_the_store_has_all_that_is_looked_at(dump: Dump, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"

    copy_store(f"sqlite:///{dump.store}", copy)

    assert read_kept(copy) == read_kept(dump.store)
    assert read_kept(copy).things.total() == 15


def test_every_kind_of_finding_has_been_planted() -> None:
    assert {kind for kind, _ in PLANTS.values()} == set(Kind)


def test_as_a_command_it_prints_the_table_and_ends_with_1_where_anything_was_found(
    dump: Dump,
) -> None:
    command = [sys.executable, "-m", "tests.faults.checker", str(dump.folder)]
    sound = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    a_charge_is_missing_in_the_folder(dump)
    planted = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)

    assert (sound.returncode, planted.returncode) == (0, 1)
    assert "        1  lost charges\n" in planted.stdout
    assert f"south study {FOLDER} {next(iter(CODES))}" in planted.stdout


def test_it_knows_nothing_of_the_services() -> None:
    """What it loads of ours is the truth and its own two readers."""
    program = "import sys, tests.faults.checker; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    ours = {name for name in loaded if name.split(".")[0] in {"services", "schemas", "demo"}}
    beside = {name.rpartition(".")[2] for name in loaded if name.startswith("tests.faults.")}

    assert ours == set()
    assert beside == {"checker", "held", "kept", "truth"}
