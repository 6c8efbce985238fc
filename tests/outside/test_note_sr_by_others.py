"""A note's structured report, checked by programs that are not ours.

``dciodvfy`` compares it with the Basic Text SR IOD (DICOM PS3.3 A.35.1), DCMTK's ``dsrdump`` reads
it with its own checks of that IOD's relationships, highdicom with those of PS3.3 C.17.3, and
pydicom gives back every text.
"""

from __future__ import annotations

import io
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from highdicom.sr import ContentSequence
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite

from schemas.conclusions import (
    Addendum,
    NoteSection,
    NoteState,
    NoteWritten,
    SectionDifference,
    Signature,
    StudyAssessed,
)
from schemas.note_layout import PARTS
from schemas.own_objects import NOTE_SCHEME
from schemas.teeth import Species
from services.notes.note_sr import note_sr
from services.notes.note_sr_parts import ADDED, text_code
from services.notes.note_versions import Version
from services.notes.study_shown import study_shown
from services.notes.wording import EMPTY_PROMPT
from tests.assessed import START, WHOLE_PATIENT, assessed, image
from tests.noted import SITE, full_mouth, noted
from tests.outside.dicom_checker import complaints
from tests.servers.dcmtk import Dcmtk

DOG = full_mouth("dog-full-mouth", Species.DOG, patient=WHOLE_PATIENT)
NOBODY = assessed(patient=None, views=(), images=(image(1, view=None),), accession_number=None)
FINDING = "Invented words of the vet: Žluťoučký kůň, µm, 犬.\nSecond line.\n\nFourth line."
UNCHECKED = "W: The VR checker does not support this Specific Character Set: ISO_IR 192"
"""What DCMTK says of any object in UTF-8: it does not count the characters of its values."""
MANY = 20_000
"""As long as a section may be."""


def draft(study: StudyAssessed = DOG) -> NoteWritten:
    return noted(study)


def amended(study: StudyAssessed = DOG) -> NoteWritten:
    """A vet wrote a finding, and a trainee signed it."""
    name = "findings-maxilla-right"
    sections = tuple(
        one.model_copy(update={"text": FINDING}) if one.section == name else one
        for one in noted(study).sections
    )
    note = noted(
        study,
        sections=sections,
        state=NoteState.AMENDED,
        differences=(SectionDifference(section=name, title="x", author="vet-2", runs=()),),
        needs_cosign=True,
    )
    by_trainee = Signature(
        signer="trainee-1", signed_at=START, content_sha256=note.content_sha256, final=False
    )
    return note.model_copy(update={"signatures": (by_trainee,)})


def signed(study: StudyAssessed = DOG) -> NoteWritten:
    note, at = amended(study), START + timedelta(hours=1)
    by_vet = Signature(signer="vet-1", signed_at=at, content_sha256=note.content_sha256, final=True)
    told: dict[str, Any] = {
        "state": NoteState.SIGNED,
        "signer": "vet-1",
        "signed_at": at,
        "signatures": (*note.signatures, by_vet),
        "needs_cosign": False,
    }
    return note.model_copy(update=told)


def addended(study: StudyAssessed = DOG) -> NoteWritten:
    added = Addendum(
        text="Invented addendum.\nÄ", signer="vet-2", signed_at=START + timedelta(days=1)
    )
    return signed(study).model_copy(update={"state": NoteState.ADDENDED, "addenda": (added,)})


NOTES = [
    pytest.param(draft(), DOG, id="draft"),
    pytest.param(amended(), DOG, id="amended"),
    pytest.param(signed(), DOG, id="signed"),
    pytest.param(addended(), DOG, id="addended"),
    pytest.param(draft(NOBODY), NOBODY, id="no patient, no plan, no order"),
]


def report(note: NoteWritten, study: StudyAssessed = DOG) -> Dataset:
    return note_sr(note, study_shown(study), SITE, Version(5, "2.25.3"))


def through_a_file(made: Dataset) -> Dataset:
    file = io.BytesIO()
    dcmwrite(file, made, enforce_file_format=True)
    file.seek(0)
    return dcmread(file)


def texts(of_report: Dataset) -> dict[str, str]:
    """Give the text of each part by its code, as a reader of lines wants it."""
    return {
        item.ConceptNameCodeSequence[0].CodeValue: str(item.TextValue).replace("\r\n", "\n")
        for part in of_report.ContentSequence
        for item in part.get("ContentSequence", [])
        if item.ValueType == "TEXT"
        and item.ConceptNameCodeSequence[0].CodingSchemeDesignator == NOTE_SCHEME
    }


@pytest.mark.parametrize(("note", "study"), NOTES)
def test_a_note_is_free_of_errors(
    dciodvfy: Path, tmp_path: Path, note: NoteWritten, study: StudyAssessed
) -> None:
    path = tmp_path / "note.dcm"
    dcmwrite(path, report(note, study), enforce_file_format=True)

    assert complaints(dciodvfy, path) == []


@pytest.mark.parametrize(
    "without", ["VerifyingObserverSequence", "CurrentRequestedProcedureEvidenceSequence"]
)
def test_the_checker_does_complain_of_a_spoilt_note(
    dciodvfy: Path, tmp_path: Path, without: str
) -> None:
    made = report(signed())
    setattr(made, without, [])
    path = tmp_path / "note.dcm"
    dcmwrite(path, made, enforce_file_format=True)

    assert any(without in line for line in complaints(dciodvfy, path))


@pytest.mark.parametrize(("note", "study"), NOTES)
def test_dsrdump_and_highdicom_read_the_whole_tree(
    dcmtk: Dcmtk, tmp_path: Path, note: NoteWritten, study: StudyAssessed
) -> None:
    path = tmp_path / "note.dcm"
    dcmwrite(path, report(note, study), enforce_file_format=True)

    said = dcmtk.run("dsrdump", ["+Pl", path])
    content = ContentSequence.from_sequence(dcmread(path).ContentSequence, is_root=False)

    assert said.returncode == 0, said.stdout
    lines = said.stdout.splitlines()
    warned = [line for line in lines if line.startswith(("W:", "E:", "F:"))]
    assert set(warned) <= {UNCHECKED}
    assert lines[len(warned)] == "Basic Text SR Document"
    assert said.stdout.count("<contains TEXT:") == 1 + len(note.sections) + len(note.addenda)
    assert len(content) == len(dcmread(path).ContentSequence)
    verified = "VERIFIED" if note.signer else "UNVERIFIED"
    assert f"Verification Flag   : {verified}\n" in said.stdout


PRINTABLE = st.characters(blacklist_categories=("Cs", "Cc"))
WORDS = st.text(PRINTABLE | st.sampled_from("\n\t"), max_size=400)


@settings(max_examples=40, deadline=None)
@given(st.lists(WORDS, min_size=len(PARTS), max_size=len(PARTS)), WORDS)
@example(["ä\n" * (MANY // 2)] * len(PARTS), "\\^=~ | end\n\n")
def test_each_text_comes_back_whole(words: list[str], added: str) -> None:
    # given
    sections = tuple(
        NoteSection(section=part.name, title=part.title, text=text, for_vet=part.for_vet)
        for part, text in zip(PARTS, words, strict=True)
    )
    addendum = Addendum(text=added or "x", signer="vet-1", signed_at=START)
    note = signed().model_copy(update={"sections": sections, "addenda": (addendum,)})

    # when
    read = texts(through_a_file(report(note)))

    # then: but for spaces at the end, which mean nothing in DICOM (PS3.5 6.2, UT; from memory)
    for one in sections:
        code = text_code(one.section, one.title).value
        assert read.get(code, "") == (one.text.rstrip(" ") if one.text.strip() else "")
    assert read[ADDED.value] == addendum.text.rstrip(" ")


def test_every_line_end_is_one_and_a_control_is_named_by_its_number() -> None:
    words = "one\rtwo\r\nthree\nfour\x00five\x1b[31m\x85six\tseven"
    note = noted(DOG, sections=(NoteSection(section="views", title="Views", text=words),))

    made = through_a_file(report(note))

    read = texts(made)["views"]
    assert read == "one\ntwo\nthree\nfour[U+0000]five[U+001B][31m[U+0085]six\tseven"


def test_what_the_vet_has_not_written_is_said_and_is_no_finding() -> None:
    made = through_a_file(report(draft()))
    prompts = [one for one in draft().sections if one.for_vet]

    comments = [
        str(item.TextValue)
        for part in made.ContentSequence
        for item in part.get("ContentSequence", [])
        if item.ConceptNameCodeSequence[0].CodeValue == "121106"
    ]

    assert comments == [f"{one.title}: {EMPTY_PROMPT}" for one in prompts]
    assert not {text_code(one.section, one.title).value for one in prompts} & set(texts(made))
    assert all(item.ValueType != "CODE" for item in _contained(made))


def _contained(of_report: Dataset) -> list[Dataset]:
    """Give what the headings hold, but not who observed it."""
    return [
        item
        for part in of_report.ContentSequence
        for item in part.get("ContentSequence", [])
        if item.RelationshipType == "CONTAINS"
    ]


def test_whoever_verified_attested_or_wrote_is_named_once_and_rightly() -> None:
    trainee_first, last = through_a_file(report(amended())), through_a_file(report(addended()))

    assert [str(one.PersonName) for one in trainee_first.ParticipantSequence] == [
        "Invented Trainee"
    ]
    assert trainee_first.VerificationFlag == "UNVERIFIED"
    assert "VerifyingObserverSequence" not in trainee_first
    assert [
        (str(one.VerifyingObserverName), one.VerificationDateTime[:8], one.VerifyingOrganization)
        for one in last.VerifyingObserverSequence
    ] == [
        ("Invented Vet", "20260302", SITE.title),
        ("Other Invented Vet", "20260303", SITE.title),
    ]
    assert [one.ObserverType for one in last.AuthorObserverSequence] == ["DEV", "PSN"]
    assert last.AuthorObserverSequence[1].PersonName == "Other Invented Vet"
    assert last.ParticipantSequence[0].ParticipationType == "ATTEST"


def test_animal_study_and_images_are_those_of_the_note() -> None:
    made = through_a_file(report(signed()))

    assert made.SpecificCharacterSet == "ISO_IR 192"
    assert made.PatientSpeciesCodeSequence[0].CodeValue == "448771007"
    assert made.PatientBreedDescription == "Invented breed ä"
    assert made.PatientSexNeutered == "ALTERED"
    assert (made.ResponsiblePerson, made.ResponsiblePersonRole) == ("Invented Owner", "OWNER")
    assert made.AccessionNumber == "A1001"
    (of_study,) = made.CurrentRequestedProcedureEvidenceSequence
    (of_series,) = of_study.ReferencedSeriesSequence
    named = {one.ReferencedSOPInstanceUID for one in of_series.ReferencedSOPSequence}
    assert named == {one.sop_instance_uid for one in DOG.images}
    in_content = [item for item in _contained(made) if item.ValueType == "IMAGE"]
    assert {one.ReferencedSOPSequence[0].ReferencedSOPInstanceUID for one in in_content} == named


def test_an_image_of_unknown_series_is_no_evidence_and_stops_nothing() -> None:
    known, *others = DOG.images
    older = [
        one.model_copy(update={"series_instance_uid": None, "sop_class_uid": None})
        for one in others
    ]
    study = DOG.model_copy(update={"images": (known, *older)})

    made = report(draft(study), study)

    (of_study,) = made.CurrentRequestedProcedureEvidenceSequence
    assert len(of_study.ReferencedSeriesSequence[0].ReferencedSOPSequence) == 1
    assert len([item for item in _contained(made) if item.ValueType == "IMAGE"]) == 1
