"""The DICOM node with real peers: pynetdicom in this process, DCMTK from outside."""

from __future__ import annotations

import json
from pathlib import Path
from threading import Thread
from typing import Any

import numpy
import pytest
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    UID,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    RLELossless,
)
from pynetdicom.sop_class import Verification
from typer import Typer
from typer.testing import CliRunner

from schemas.facts import ImageStored
from services.intake.commands import import_folder
from services.intake.service import build
from services.intake.sop_classes import STORAGE_CLASSES
from services.runtime.ports import PortTaken
from tests.intake_support import (
    HOST,
    INTRAORAL,
    Intake,
    association,
    encoded,
    make_image,
    running_intake,
    send,
    write_file,
)
from tests.servers.dcmtk import Dcmtk


def test_an_echo_is_answered(intake: Intake) -> None:
    with association(intake.dicom_port, Verification) as peer:
        assert peer.send_c_echo().Status == 0x0000


def test_an_image_is_on_disk_and_its_fact_is_kept_before_the_success(intake: Intake) -> None:
    # given
    image = make_image()

    # when
    answer = send(intake.dicom_port, image)

    # then
    assert answer.Status == 0x0000
    (fact,) = intake.facts("image_stored")
    assert isinstance(fact.payload, ImageStored)
    assert fact.payload.path == "north/2026/03/02/2.25.70001.dcm"
    assert (fact.payload.station, fact.payload.room) == ("station-1", "dental-1")
    assert (fact.source_clock, fact.occurred_at.hour) == ("20260302 102003", 9)
    assert intake.outbox() == [fact]
    assert intake.kept_files() == [fact.payload.path]
    path = intake.images / fact.payload.path
    assert path.stat().st_size == fact.payload.size_bytes
    assert encoded(image) in path.read_bytes()
    assert dcmread(path) == image


def test_an_image_sent_again_is_recognised(intake: Intake) -> None:
    # given
    send(intake.dicom_port, make_image())

    # when
    answer = send(intake.dicom_port, make_image())

    # then
    assert answer.Status == 0x0000
    assert len(intake.facts()) == len(intake.outbox()) == 1
    assert len(intake.kept_files()) == 1
    assert intake.triage() == []


def test_an_image_without_a_time_sent_again_leaves_one_file(intake: Intake) -> None:
    undated: dict[str, Any] = {"AcquisitionDate": None, "AcquisitionTime": None}

    for _ in range(2):
        assert send(intake.dicom_port, make_image(**undated)).Status == 0x0000

    assert len(intake.facts()) == 1
    assert len(intake.kept_files()) == 1


def test_another_content_under_a_known_uid_is_kept_beside_and_a_person_is_told(
    intake: Intake,
) -> None:
    # given
    send(intake.dicom_port, make_image(PatientID="P-1001"))

    # when
    answer = send(intake.dicom_port, make_image(PatientID="P-2002"))

    # then
    assert answer.Status == 0x0000
    first, second = intake.kept_files()
    assert {first, second} == {fact.payload.path for fact in intake.facts()}  # type: ignore[attr-defined]
    kept = {str(dcmread(intake.images / path).PatientID) for path in (first, second)}
    assert kept == {"P-1001", "P-2002"}
    (entry,) = intake.triage()
    assert entry.field == "SOPInstanceUID (0008,0018)"


@pytest.mark.parametrize("sop_class", STORAGE_CLASSES)
def test_every_class_of_the_work_is_taken(intake: Intake, sop_class: str) -> None:
    assert send(intake.dicom_port, make_image(SOPClassUID=sop_class)).Status == 0x0000


def _in_syntax(syntax: str) -> Dataset:
    image = make_image()
    pixels = numpy.frombuffer(image.PixelData, dtype="<u2").reshape(32, 24)
    image.file_meta.TransferSyntaxUID = UID(syntax)
    if syntax == RLELossless:
        image.compress(RLELossless, pixels, generate_instance_uid=False)
    elif syntax == JPEG2000Lossless:
        # Not a picture: the node keeps fragments as sent and opens none of them.
        image.PixelData = encapsulate([b"\xff\x4f\xff\x51" + bytes(100)])
        image["PixelData"].is_undefined_length = True
    elif syntax == ExplicitVRBigEndian:
        image.PixelData = pixels.astype(">u2").tobytes()
    return image


@pytest.mark.parametrize(
    "syntax",
    [
        ExplicitVRLittleEndian,
        ImplicitVRLittleEndian,
        ExplicitVRBigEndian,
        RLELossless,
        JPEG2000Lossless,
    ],
)
def test_an_image_is_kept_in_the_transfer_syntax_that_it_was_sent_in(
    intake: Intake, syntax: str
) -> None:
    # given
    image = _in_syntax(syntax)

    # when
    with association(intake.dicom_port, INTRAORAL, syntaxes=[syntax]) as peer:
        answer = peer.send_c_store(image)

    # then
    assert answer.Status == 0x0000, answer
    (fact,) = intake.facts()
    assert isinstance(fact.payload, ImageStored)
    assert fact.payload.transfer_syntax_uid == syntax
    kept = dcmread(intake.images / fact.payload.path)
    assert kept.file_meta.TransferSyntaxUID == syntax
    assert kept.PixelData == image.PixelData


def test_many_associations_at_once_lose_nothing(intake: Intake) -> None:
    # given
    senders, images_each = 6, 8
    statuses: list[int] = []

    def station(sender: int) -> None:
        with association(intake.dicom_port, INTRAORAL) as peer:
            for number in range(images_each):
                image = make_image(SOPInstanceUID=f"2.25.9{sender}{number:03}")
                statuses.append(peer.send_c_store(image).Status)

    # when
    threads = [Thread(target=station, args=(sender,)) for sender in range(1, senders + 1)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    # then
    assert statuses == [0x0000] * senders * images_each
    assert len(intake.facts("image_stored")) == senders * images_each
    assert len(intake.kept_files()) == senders * images_each


def test_leftovers_of_a_killed_process_are_removed_at_the_start(tmp_path: Path) -> None:
    # given
    incoming = tmp_path / "data" / "images" / "incoming"
    incoming.mkdir(parents=True)
    (incoming / "half.part").write_bytes(b"half an image")

    # when
    with running_intake(tmp_path / "data") as intake:
        # then
        assert intake.kept_files() == []


def test_a_port_that_is_taken_names_its_setting(intake: Intake, tmp_path: Path) -> None:
    runtime = intake.runtime
    settings = runtime.settings.model_copy(
        update={
            "intake": runtime.settings.intake.model_copy(update={"dicom_port": intake.dicom_port})
        }
    )
    runtime.settings = settings

    with pytest.raises(PortTaken, match="GOMPHOSIS_INTAKE__DICOM_PORT"):
        build(runtime)


def test_a_folder_is_imported_by_the_same_checks(
    intake: Intake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given
    folder = tmp_path / "export"
    (folder / "deeper").mkdir(parents=True)
    write_file(make_image(1), folder / "1.dcm")
    write_file(make_image(2), folder / "deeper" / "2")
    write_file(make_image(3, PatientID=None), folder / "3.dcm")
    (folder / "readme.txt").write_text("no image", encoding="utf-8")
    send(intake.dicom_port, make_image(1))
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
    told = json.loads(result.stdout.splitlines()[-1])  # logs come first in a test
    assert told["counts"] == {
        "accepted": 1,
        "already known": 1,
        "conflicting": 0,
        "no DICOM": 1,
        "refused": 1,
    }
    assert told["refused"][0]["field"] == "PatientID (0010,0020)"
    assert len(intake.facts("image_stored")) == 2
    assert [entry.field for entry in intake.triage()] == ["PatientID (0010,0020)"]


def test_dcmtk_is_answered_its_echo_and_rejected_under_a_wrong_title(
    intake: Intake, dcmtk: Dcmtk
) -> None:
    port = str(intake.dicom_port)
    good = dcmtk.run("echoscu", ["-aet", "STATION1", "-aec", "GOMPHOSIS", HOST, port])
    bad = dcmtk.run("echoscu", ["-aet", "STRANGER", "-aec", "GOMPHOSIS", HOST, port])

    assert good.returncode == 0, good.stdout
    assert bad.returncode != 0
    assert "Calling AE Title Not Recognized" in bad.stdout


def test_dcmtk_stores_a_folder_of_images_and_each_is_kept(
    intake: Intake, dcmtk: Dcmtk, tmp_path: Path
) -> None:
    # given
    files = [write_file(make_image(number), tmp_path / f"{number}.dcm") for number in range(1, 6)]

    # when
    sent = dcmtk.run(
        "storescu",
        ["-aet", "STATION1", "-aec", "GOMPHOSIS", HOST, str(intake.dicom_port), *files],
    )

    # then
    assert sent.returncode == 0, sent.stdout
    assert len(intake.facts("image_stored")) == len(files)
    for fact in intake.facts("image_stored"):
        assert isinstance(fact.payload, ImageStored)
        kept = dcmread(intake.images / fact.payload.path)
        number = int(fact.payload.sop_instance_uid.removeprefix("2.25.7000"))
        assert kept.PixelData == make_image(number).PixelData
