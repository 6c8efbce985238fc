"""A code that the group's file lacks: the posting waits, a person is told, and it goes by itself.

By the service's own poster, over each adapter that posts by a codes file.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any, Protocol

import pytest
from sqlalchemy import select, update

from schemas.conclusions import CodesMissing, ImageShown, NoteShows, NoteState
from schemas.facts import ChargesReleased, PostingAnswered, PostingOutcome
from schemas.teeth import Species
from services.records.adapters.fhir import FhirAdapter
from services.records.adapters.folder import FolderAdapter
from services.records.adapters.hl7 import Hl7Adapter
from services.records.adapters.sql import SqlAdapter
from services.records.holding import LOOK_AGAIN_S
from services.records.port import PatientRecord
from services.records.store import POSTINGS
from services.records.suite.samples import entry, note
from services.runtime.store import Store
from tests.contract.record_adapters.posting_desk import Desk, study_uid
from tests.contract.record_samples import charges
from tests.handled import sent_of
from tests.record_stand_ins.fhir_server import FhirServer, known_patient
from tests.record_stand_ins.mllp_server import MllpServer
from tests.record_stand_ins.sql_server import SqlServer

CODES = """
charges:
  INV-IO-FIRST: INV-8101
  # here the missing line will stand
staff: {vet-1: INV-S-17}
departments: {north: {code: INV-DENT, display: Dentistry (invented)}}
species_system: http://snomed.info/sct
species: {dog: '448771007'}
tooth_system: https://record.invalid/teeth
teeth: {309: INV-T-309, 310: null, 311: {code: INV-T-311, display: Last molar but two (invented)}}
views: {mand-molars-l: INV-V-7}
plans: {dog-full-mouth: INV-P-1}
"""
SHOWN = {
    "species": Species.DOG,
    "plan": "dog-full-mouth",
    "shown": (
        ImageShown(sop_instance_uid="2.25.1003", view="mand-molars-l", teeth=(309, 310, 311)),
        ImageShown(sop_instance_uid="2.25.1004", view="max-incisors", teeth=(101,)),
    ),
}
"""The second image is of no charge, so its view and tooth need no code."""


@pytest.fixture
def codes(tmp_path: Path) -> Path:
    path = tmp_path / "posted_codes.yaml"
    path.write_text(CODES)
    return path


@pytest.fixture(scope="module")
def sql_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SqlServer]:
    folder = tmp_path_factory.mktemp("sql-record")
    with SqlServer(f"sqlite:///{folder}/record.sqlite", folder).running() as made:
        yield made


class Told(Protocol):
    """Gives what the record holds, each as text in which codes can be looked for."""

    def __call__(self, what: str = "charge") -> list[str]: ...


@pytest.fixture(params=["fhir", "hl7", "folder", "sql"])
def record(
    request: pytest.FixtureRequest, tmp_path: Path, codes: Path
) -> Iterator[tuple[PatientRecord, Told]]:
    made: FhirAdapter | Hl7Adapter | FolderAdapter | SqlAdapter
    told: Told
    if request.param == "fhir":
        server: FhirServer = request.getfixturevalue("fhir")
        server.control(resources=[known_patient(f"P-{number}") for number in (1001, 1002)])
        made = server.adapter(codes=str(codes))
        kinds = {"charge": "ChargeItem", "note": "DiagnosticReport"}
        told = lambda what="charge": [  # noqa: E731
            json.dumps(one) for one in server.held(kinds[what])
        ]
    elif request.param == "hl7":
        mllp: MllpServer = request.getfixturevalue("mllp")
        made = mllp.adapter(codes=str(codes))
        told = lambda what="charge": [  # noqa: E731
            "\n".join(one) for one in mllp.messages({"charge": "DFT", "note": "ORU"}[what])
        ]
    elif request.param == "sql":
        staged: SqlServer = request.getfixturevalue("sql_server")
        staged.control(reset=True, reachable=True)
        made = staged.adapter(codes=str(codes))
        told = lambda what="charge": [  # noqa: E731
            json.dumps(row)
            for row in staged.sql(f"SELECT * FROM gomphosis_{what} ORDER BY sequence")
        ]
    else:
        made = FolderAdapter({"path": str(tmp_path / "record"), "codes": str(codes)})
        told = lambda what="charge": [  # noqa: E731
            one.read_text() for one in sorted((tmp_path / "record").glob(f"{what}s/*/*/*.json"))
        ]
    yield made, told
    made.close()


def study(patient: str, *codes_of_lines: str, **more: Any) -> Any:
    uid = study_uid(patient)
    lines = [
        entry(number, uid, patient_id=patient, code=code)
        for number, code in enumerate(codes_of_lines, 1)
    ]
    return charges(*lines, study_instance_uid=uid, patient_id=patient, **SHOWN | more)


DAMAGED = POSTINGS.c.patient_id == "P-1001"


def sent(store: Store) -> dict[str, bool]:
    with store.read() as connection:
        rows = connection.execute(select(POSTINGS)).all()
    return {row.posting_key: row.maybe_sent for row in rows}


def look_again(desk: Desk) -> None:
    desk.now += timedelta(seconds=LOOK_AGAIN_S + 1)
    desk.post_due()


def test_a_missing_code_holds_one_patient_and_goes_out_once_the_file_has_it(
    store: Store, record: tuple[PatientRecord, Told], codes: Path
) -> None:
    adapter, told = record
    desk = Desk(store, adapter)

    desk.take(study("P-1001", "INV-OTHER", "INV-IO-FIRST"), study("P-1002", "INV-IO-FIRST"))
    desk.post_due()
    look_again(desk)

    waiting, behind, other = desk.states()
    assert list(desk.states().values()) == ["waiting", "waiting", "posted"], desk.states()
    assert sent(store) == {waiting: False, behind: False, other: True}, "nothing left for it"
    (task,) = sent_of(store, CodesMissing)
    assert task.posting_key == waiting
    (missing,) = task.missing
    assert (missing.table, missing.code) == ("charges", "INV-OTHER")
    assert missing.place == f"{codes}, below line 2"
    assert missing.line == "  INV-OTHER: '<the code of the record>'"
    assert "goes out by itself" in task.next_action

    line = missing.line.replace("<the code of the record>", "INV-8102")
    codes.write_text(CODES.replace("  # here the missing line will stand", line))
    look_again(desk)

    assert set(desk.states().values()) == {"posted"}
    assert len(sent_of(store, CodesMissing)) == 1
    assert sum("INV-8102" in one for one in told()) == 1
    assert sum("INV-8101" in one for one in told()) == 2


def test_what_a_charge_shows_goes_out_by_the_records_codes_beside_ours(
    store: Store, record: tuple[PatientRecord, Told]
) -> None:
    adapter, told = record
    desk = Desk(store, adapter)

    desk.take(study("P-1001", "INV-IO-FIRST"))
    desk.post_due()

    (line,) = told()
    for code in ("INV-DENT", "448771007", "INV-T-309", "INV-T-311", "INV-V-7", "INV-P-1"):
        assert code in line, code
    assert "309" in line
    assert "max-incisors" not in line
    assert sent_of(store, CodesMissing) == []


@pytest.mark.parametrize(
    ("changes", "missing"),
    [
        (
            {"plan": "cat-full-mouth", "species": Species.CAT},
            ["species.cat", "plans.cat-full-mouth"],
        ),
        (
            {
                "shown": (
                    ImageShown(sop_instance_uid="2.25.1003", view="max-incisors", teeth=(101,)),
                )
            },
            ["views.max-incisors", "teeth.101"],
        ),
    ],
)
def test_every_table_that_the_file_has_is_asked_for_all_that_is_posted(
    store: Store,
    record: tuple[PatientRecord, Told],
    changes: dict[str, Any],
    missing: list[str],
) -> None:
    adapter, told = record
    desk = Desk(store, adapter)

    desk.take(study("P-1001", "INV-IO-FIRST", **changes))
    desk.post_due()

    (task,) = sent_of(store, CodesMissing)
    assert [f"{one.table}.{one.code}" for one in task.missing] == missing
    assert told() == []


def test_a_note_by_a_vet_whom_the_record_does_not_know_waits_too(
    store: Store, record: tuple[PatientRecord, Told], codes: Path
) -> None:
    adapter, _ = record
    desk = Desk(store, adapter)

    desk.take(note(1, NoteState.SIGNED, signer="vet-2"))
    desk.post_due()

    (task,) = sent_of(store, CodesMissing)
    assert [(one.table, one.code) for one in task.missing] == [("staff", "vet-2")]
    codes.write_text(CODES.replace("{vet-1: INV-S-17}", "{vet-1: INV-S-17, vet-2: INV-S-18}"))
    look_again(desk)
    assert set(desk.states().values()) == {"posted"}


SHOWS = NoteShows(
    species=Species.DOG, plan="dog-full-mouth", views=("mand-molars-l",), teeth=(309, 310, 311)
)


def test_what_a_notes_study_shows_goes_out_by_the_records_codes(
    store: Store, record: tuple[PatientRecord, Told]
) -> None:
    adapter, told = record
    desk = Desk(store, adapter)

    desk.take(note(1, NoteState.SIGNED, shows=SHOWS))
    desk.post_due()

    assert set(desk.states().values()) == {"posted"}
    (one,) = told("note")
    for code in ("INV-DENT", "448771007", "INV-T-309", "INV-T-311", "INV-V-7", "INV-P-1"):
        assert code in one or (code == "INV-DENT" and isinstance(adapter, Hl7Adapter)), code
    assert "INV-T-310" not in one
    assert sent_of(store, CodesMissing) == []


def test_a_note_whose_study_shows_what_has_no_code_waits_and_goes_out_once_it_has(
    store: Store, record: tuple[PatientRecord, Told], codes: Path
) -> None:
    adapter, told = record
    desk = Desk(store, adapter)
    lacks = NoteShows(
        species=Species.CAT, plan="cat-full-mouth", views=("max-incisors",), teeth=(101,)
    )

    desk.take(note(1, NoteState.SIGNED, shows=lacks))
    desk.post_due()

    (task,) = sent_of(store, CodesMissing)
    assert [f"{one.table}.{one.code}" for one in task.missing] == [
        "species.cat",
        "plans.cat-full-mouth",
        "views.max-incisors",
        "teeth.101",
    ]
    assert told("note") == []
    more = {
        "{dog: '448771007'}": "{dog: '448771007', cat: '448169003'}",
        "{dog-full-mouth: INV-P-1}": "{dog-full-mouth: INV-P-1, cat-full-mouth: INV-P-2}",
        "{mand-molars-l: INV-V-7}": "{mand-molars-l: INV-V-7, max-incisors: INV-V-8}",
        "{309: INV-T-309,": "{101: INV-T-101, 309: INV-T-309,",
    }
    written = CODES
    for old, new in more.items():
        written = written.replace(old, new)
    codes.write_text(written)
    look_again(desk)
    assert set(desk.states().values()) == {"posted"}
    assert all(code in told("note")[0] for code in ("448169003", "INV-P-2", "INV-V-8", "INV-T-101"))


def test_a_broken_file_is_not_taken_up_and_the_codes_of_before_stay(
    store: Store, record: tuple[PatientRecord, Told], codes: Path
) -> None:
    adapter, told = record
    desk = Desk(store, adapter)
    codes.write_text("charges: {INV-IO-FIRST: [broken\n")

    desk.take(study("P-1001", "INV-IO-FIRST"))
    desk.post_due()

    assert set(desk.states().values()) == {"posted"}
    assert "INV-8101" in told()[0]
    codes.unlink()
    desk.take(study("P-1002", "INV-IO-FIRST"))
    desk.post_due()
    assert set(desk.states().values()) == {"posted"}


@pytest.mark.parametrize("body", [{"entry": {}}, {}])
def test_a_stored_posting_that_cannot_be_read_goes_to_a_person_and_stops_no_other_patient(
    store: Store, record: tuple[PatientRecord, Told], body: Any
) -> None:
    adapter, told = record
    desk = Desk(store, adapter)
    desk.take(*(study(f"P-{number}", "INV-IO-FIRST") for number in (1001, 1002, 1003)))
    with store.begin() as connection:
        kept = connection.execute(select(POSTINGS).where(DAMAGED)).one().body
        connection.execute(update(POSTINGS).where(DAMAGED).values(body=body))

    for _ in range(3):
        look_again(desk)

    assert sorted(desk.states().values()) == ["posted", "posted", "rejected"]
    (answer,) = [
        one for one in sent_of(store, PostingAnswered) if one.outcome is PostingOutcome.REJECTED
    ]
    assert "cannot be read as it is stored" in (answer.words or "")
    assert len(told()) == 2, "nothing of it has left"

    # when: its row is restored, and a person releases the charges
    with store.begin() as connection:
        connection.execute(update(POSTINGS).where(DAMAGED).values(body=kept))
    desk.take(ChargesReleased(study_instance_uid=study_uid("P-1001")))
    look_again(desk)

    assert set(desk.states().values()) == {"posted"}
    assert len(told()) == 3
