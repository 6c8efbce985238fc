"""Structured reports through the DICOM node and the import: kept like images, read as exposures."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)
from typer import Typer
from typer.testing import CliRunner

from schemas.facts import DocumentStored, ExposureEnded, ImageStored, ToldBy
from services.intake.commands import import_folder
from services.intake.sop_classes import DOCUMENT_CLASSES
from services.notes.dose_report import dose_report
from tests.assessed import GROUP, assessed, exposure
from tests.dose_reports import (
    BASIC_TEXT,
    DOSE_REPORT,
    code,
    content,
    device_report,
    document,
    event,
    observer_serial,
    text_report,
)
from tests.intake_support import (
    HOST,
    Intake,
    association,
    encoded,
    make_image,
    running_intake,
    send,
    write_file,
)
from tests.servers.dcmtk import Dcmtk

SUCCESS, CANNOT_UNDERSTAND = 0x0000, 0xC000


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


def second_event(**changes: Dataset | None) -> Dataset:
    uid = content("UIDREF", "113769", "Irradiation Event UID", UID="2.25.8002")
    return event(uid=uid, **changes)


def test_a_dose_report_is_on_disk_and_its_facts_are_kept_before_the_success(
    intake: Intake,
) -> None:
    # given
    report = device_report(event(), second_event(), observer_serial("INVENTED-0001"))

    # when
    answer = send(intake.dicom_port, report)

    # then
    assert answer.Status == SUCCESS
    (kept,) = intake.facts("document_stored")
    assert isinstance(kept.payload, DocumentStored)
    assert kept.payload.path == "north/2026/03/02/2.25.9001.dcm"
    assert (kept.payload.title_code, kept.payload.sop_class_uid) == ("113701", DOSE_REPORT)
    assert (kept.source_clock, kept.occurred_at.hour) == ("20260302 102130", 9)
    assert encoded(report) in (intake.images / kept.payload.path).read_bytes()
    exposures = [fact.payload for fact in intake.facts("exposure_ended")]
    assert [type(one) for one in exposures] == [ExposureEnded, ExposureEnded]
    for one in exposures:
        assert isinstance(one, ExposureEnded)
        assert (one.told_by, one.generator) == (ToldBy.DOSE_REPORT, "generator-1")
        assert one.reported_kerma_mgy == pytest.approx(1.6)
    assert {fact.kind for fact in intake.outbox()} == {"document_stored", "exposure_ended"}
    assert intake.triage() == []


@pytest.mark.parametrize(
    "syntax",
    [
        ExplicitVRLittleEndian,
        ImplicitVRLittleEndian,
        ExplicitVRBigEndian,
        DeflatedExplicitVRLittleEndian,
    ],
)
def test_every_class_of_report_is_taken_in_every_syntax(
    intake: Intake, tmp_path: Path, syntax: UID
) -> None:
    # given
    words = content("TEXT", "121071", "Finding", TextValue="Invented text.")
    title = code("121144", "Document Title")

    for number, sop_class in enumerate(DOCUMENT_CLASSES):
        report = document(sop_class, title, [words], SOPInstanceUID=f"2.25.9{number}")
        report.file_meta.TransferSyntaxUID = syntax
        file = dcmread(write_file(report, tmp_path / "report.dcm"))

        # when
        with association(intake.dicom_port, sop_class, syntaxes=[syntax]) as peer:
            answer = peer.send_c_store(file)

        # then
        assert answer.Status == SUCCESS
    kept = [fact.payload for fact in intake.facts("document_stored")]
    assert len(kept) == len(DOCUMENT_CLASSES)
    for one in kept:
        assert isinstance(one, DocumentStored)
        assert one.transfer_syntax_uid == syntax
        stored = dcmread(intake.images / one.path)
        assert stored.ContentSequence[0].TextValue == "Invented text."
    assert intake.facts("exposure_ended") == []


def test_a_report_sent_again_is_recognised(intake: Intake) -> None:
    send(intake.dicom_port, device_report())

    answer = send(intake.dicom_port, device_report())

    assert answer.Status == SUCCESS
    assert len(intake.facts()) == 2
    assert len(intake.kept_files()) == 1
    assert intake.triage() == []


def test_another_report_of_the_same_events_tells_no_exposure_twice(intake: Intake) -> None:
    send(intake.dicom_port, device_report(event()))

    send(intake.dicom_port, device_report(event(), second_event(), SOPInstanceUID="2.25.9002"))

    assert len(intake.facts("document_stored")) == 2
    uids = [
        fact.payload.irradiation_event_uid
        for fact in intake.facts("exposure_ended")
        if isinstance(fact.payload, ExposureEnded)
    ]
    assert uids == ["2.25.8001", "2.25.8002"]
    assert intake.triage() == []


def test_another_content_under_a_known_uid_is_kept_and_flagged(intake: Intake) -> None:
    send(intake.dicom_port, text_report("Invented text."))

    answer = send(intake.dicom_port, text_report("Another invented text."))

    assert answer.Status == SUCCESS
    assert len(intake.facts("document_stored")) == 2
    assert len(intake.kept_files()) == 2
    assert [entry.field for entry in intake.triage()] == ["SOPInstanceUID (0008,0018)"]
    assert [row.copy for row in intake.image_rows()] == [0, 1]


def test_an_event_without_enough_data_is_put_to_a_person_and_the_report_is_kept(
    intake: Intake,
) -> None:
    # when
    answer = send(intake.dicom_port, device_report(event(kvp=None), second_event()))

    # then
    assert answer.Status == SUCCESS
    assert len(intake.facts("document_stored")) == 1
    assert len(intake.facts("exposure_ended")) == 1
    (entry,) = intake.triage()
    assert (entry.kind, entry.field) == ("exposure_ended", "1.1 (113733, DCM, KVP)")
    told = json.loads(entry.body)
    assert told["path"] == "north/2026/03/02/2.25.9001.dcm"
    assert told["unusable_events"] == 1

    # and a resend asks nobody twice
    send(intake.dicom_port, device_report(event(kvp=None), second_event()))
    assert len(intake.triage()) == 1


def test_our_own_report_is_kept_and_tells_no_exposure(intake: Intake) -> None:
    # given: an estimate of ours, which must not come back as a device's figure
    study = assessed(exposures=(exposure(1, kerma_mgy=1.6),))
    report = dose_report(study, GROUP.site("north"))
    report.file_meta.MediaStorageSOPClassUID = report.SOPClassUID
    report.file_meta.MediaStorageSOPInstanceUID = report.SOPInstanceUID

    # when
    answer = send(intake.dicom_port, report)

    # then
    assert answer.Status == SUCCESS
    assert [fact.kind for fact in intake.facts()] == ["document_stored"]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"PatientID": None}, "PatientID (0010,0020)"),
        ({"StudyInstanceUID": None}, "StudyInstanceUID (0020,000D)"),
        ({"SeriesInstanceUID": "abc"}, "SeriesInstanceUID (0020,000E)"),
        ({"ContentSequence": None}, "ContentSequence (0040,A730)"),
        ({"ContentSequence": []}, "ContentSequence (0040,A730)"),
        ({"ValueType": "TEXT"}, "1 ValueType (0040,A040)"),
    ],
)
@pytest.mark.filterwarnings("ignore:Invalid value for VR UI")
def test_a_report_that_lacks_what_it_needs_is_refused_by_name(
    intake: Intake, changes: dict[str, Any], field: str
) -> None:
    answer = send(intake.dicom_port, text_report(**changes))

    assert answer.Status == CANNOT_UNDERSTAND
    assert answer.ErrorComment.startswith(field)
    assert intake.facts() == []
    (entry,) = intake.triage()
    assert (entry.kind, entry.field) == ("document_stored", field)
    assert len(intake.kept_files()) == 1  # put aside for that person


def test_a_folder_with_reports_is_imported_by_the_same_checks(
    intake: Intake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given
    folder = tmp_path / "export"
    folder.mkdir()
    write_file(device_report(), folder / "dose.dcm")
    write_file(text_report(SOPInstanceUID="2.25.9003"), folder / "text.dcm")
    write_file(text_report(SOPInstanceUID="2.25.9004", PatientID=None), folder / "bad.dcm")
    settings = intake.runtime.settings
    monkeypatch.setenv("GOMPHOSIS_DATA_DIR", str(settings.data_dir))
    monkeypatch.setenv("GOMPHOSIS_GROUP_DIR", str(settings.group_dir))
    monkeypatch.setenv("GOMPHOSIS_INTAKE__MIN_FREE_BYTES", "0")
    app = Typer()
    app.command("import")(import_folder)

    # when
    result = CliRunner().invoke(
        app, [str(folder), "--site", "north", "--station", "station-1", "--json"]
    )

    # then
    assert result.exit_code == 4
    told = json.loads(result.stdout.splitlines()[-1])
    assert (told["counts"]["accepted"], told["counts"]["refused"]) == (2, 1)
    assert len(intake.facts("document_stored")) == 2
    assert len(intake.facts("exposure_ended")) == 1


def test_dcmtk_sends_a_dose_report_and_a_text_report(
    intake: Intake, dcmtk: Dcmtk, tmp_path: Path
) -> None:
    # given
    files = [
        write_file(device_report(), tmp_path / "dose.dcm"),
        write_file(text_report(SOPInstanceUID="2.25.9003"), tmp_path / "text.dcm"),
    ]

    # when
    titles = ["-R", "-aet", "STATION1", "-aec", "GOMPHOSIS"]
    sent = dcmtk.run("storescu", [*titles, HOST, str(intake.dicom_port), *files])

    # then
    assert sent.returncode == 0, sent.stdout
    classes = {
        fact.payload.sop_class_uid
        for fact in intake.facts("document_stored")
        if isinstance(fact.payload, DocumentStored)
    }
    assert classes == {DOSE_REPORT, BASIC_TEXT}
    (told,) = intake.facts("exposure_ended")
    assert told.natural_key == "exposure:2.25.8001:dose_report"


def test_statistics_of_pixels_are_told_unless_the_setting_forbids(tmp_path: Path) -> None:
    for wanted in (True, False):
        with running_intake(tmp_path / str(wanted), pixel_statistics=wanted) as running:
            assert send(running.dicom_port, make_image()).Status == SUCCESS
            (fact,) = running.facts("image_stored")
            assert isinstance(fact.payload, ImageStored)
            assert (fact.payload.pixels is not None) is wanted
