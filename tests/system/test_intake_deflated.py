"""Deflated Explicit VR Little Endian over real associations: kept as sent, checked as unpacked."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.uid import DeflatedExplicitVRLittleEndian, ExplicitVRLittleEndian
from pynetdicom import _config
from typer import Typer
from typer.testing import CliRunner

from services.intake.commands import import_folder
from services.intake.deflated import FREE_BYTES
from services.intake.file_meta import file_head
from tests.intake_support import (
    HOST,
    INTRAORAL,
    Intake,
    association,
    encoded,
    make_image,
    running_intake,
    write_file,
)
from tests.servers.dcmtk import Dcmtk

SYNTAXES = [DeflatedExplicitVRLittleEndian]


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


def deflated(image: Dataset) -> Dataset:
    image.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    return image


def data_set_of(path: Path) -> bytes:
    """Give what lies behind the file meta information."""
    content = path.read_bytes()
    return content[144 + int.from_bytes(content[140:144], "little") :]


def inflate(packed: bytes) -> bytes:
    return zlib.decompress(packed, -zlib.MAX_WBITS)


def the_file(intake: Intake) -> Path:
    (fact,) = intake.facts("image_stored")
    assert fact.payload.transfer_syntax_uid == DeflatedExplicitVRLittleEndian  # type: ignore[attr-defined]
    return intake.images / str(fact.payload.path)  # type: ignore[attr-defined]


def test_an_image_that_pynetdicom_deflates_is_kept_as_sent(intake: Intake) -> None:
    # given
    image = deflated(make_image())

    # when
    with association(intake.dicom_port, INTRAORAL, syntaxes=SYNTAXES) as peer:
        answer = peer.send_c_store(image)

    # then
    assert answer.Status == 0x0000, answer
    kept = the_file(intake)
    assert inflate(data_set_of(kept)) == encoded(make_image())
    assert dcmread(kept).PixelData == image.PixelData
    (fact,) = intake.facts("image_stored")
    told: Any = fact.payload
    assert (told.patient_id, told.rows, told.tube_kv) == ("P-1001", 32, 65.0)
    assert fact.source_clock == "20260302 102003"
    assert intake.kept_files() == [told.path]


def test_an_image_that_dcmtk_deflates_is_kept_byte_for_byte(
    intake: Intake, dcmtk: Dcmtk, tmp_path: Path
) -> None:
    # given
    plain, packed = write_file(make_image(), tmp_path / "plain.dcm"), tmp_path / "packed.dcm"
    assert dcmtk.run("dcmconv", ["+td", plain, packed]).returncode == 0

    # when
    titles = ["-aet", "STATION1", "-aec", "GOMPHOSIS"]
    sent = dcmtk.run("storescu", ["-xd", *titles, HOST, str(intake.dicom_port), packed])

    # then
    assert sent.returncode == 0, sent.stdout
    kept = the_file(intake)
    assert inflate(data_set_of(kept)) == inflate(data_set_of(packed))
    dumped = dcmtk.run("dcmdump", [kept])
    assert dumped.returncode == 0
    assert "P-1001" in dumped.stdout


@pytest.fixture
def store_raw(
    intake: Intake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[[bytes], int]:
    """Send a data set as it is, whatever it is, and give the status."""
    # Then pynetdicom sends a file's bytes and looks at none of them.
    monkeypatch.setattr(_config, "STORE_SEND_CHUNKED_DATASET", True)

    def send(data_set: bytes) -> int:
        file = tmp_path / "raw.dcm"
        file.write_bytes(file_head(INTRAORAL, "2.25.70001", SYNTAXES[0]) + data_set)
        with association(intake.dicom_port, INTRAORAL, syntaxes=SYNTAXES) as peer:
            return int(peer.send_c_store(file).Status)

    return send


def pack(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    return packer.compress(data) + packer.flush()


def test_a_bomb_is_refused_for_triage_and_the_next_image_is_kept(
    intake: Intake, store_raw: Callable[[bytes], int]
) -> None:
    # given: an image whose pixels claim what no image of its size can be
    bomb = make_image(PixelData=bytes(FREE_BYTES), Rows=8_000, Columns=4_000)
    packed = pack(encoded(bomb))
    assert len(packed) < 100_000

    # when
    status = store_raw(packed)
    good = store_raw(pack(encoded(make_image())))

    # then
    assert (status, good) == (0xC000, 0x0000)
    (entry,) = intake.triage()
    assert (entry.field, entry.origin) == ("data set", "dicom")
    assert f"at most {FREE_BYTES} bytes once inflated" in str(entry.expected)
    assert len(intake.facts("image_stored")) == 1
    rejected = json.loads(entry.body)["path"]
    assert data_set_of(intake.images / rejected) == packed
    assert not any("incoming" in name for name in intake.kept_files())


@pytest.mark.parametrize(
    "data_set",
    [
        pytest.param(pack(encoded(make_image()))[:-20], id="cut off"),
        pytest.param(pack(encoded(make_image())[:-100]), id="cut off before it was packed"),
        pytest.param(encoded(make_image()), id="not packed"),
        pytest.param(pack(b""), id="nothing packed"),
    ],
)
def test_what_does_not_unpack_to_a_whole_image_is_refused(
    intake: Intake, store_raw: Callable[[bytes], int], data_set: bytes
) -> None:
    assert store_raw(data_set) == 0xC000

    assert len(intake.triage()) == 1
    assert intake.facts() == []


def test_deflated_files_are_imported_and_a_bomb_among_them_is_refused(
    intake: Intake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given
    folder = tmp_path / "exports"
    folder.mkdir()
    write_file(deflated(make_image(1)), folder / "1.dcm")
    bomb = deflated(make_image(2, PixelData=bytes(FREE_BYTES), Rows=8_000, Columns=4_000))
    write_file(bomb, folder / "2.dcm")
    write_file(make_image(3), folder / "3.dcm")
    monkeypatch.setenv("GOMPHOSIS_DATA_DIR", str(intake.runtime.settings.data_dir))
    monkeypatch.setenv("GOMPHOSIS_GROUP_DIR", str(intake.runtime.settings.group_dir))
    monkeypatch.setenv("GOMPHOSIS_INTAKE__MIN_FREE_BYTES", "0")

    # when
    app = Typer()
    app.command()(import_folder)
    arguments = [str(folder), "--site", "north", "--station", "station-1", "--json"]
    told = json.loads(CliRunner().invoke(app, arguments).stdout.splitlines()[-1])

    # then
    assert (told["counts"]["accepted"], told["counts"]["refused"]) == (2, 1)
    assert told["refused"][0]["file"].endswith("2.dcm")
    syntaxes = {fact.payload.transfer_syntax_uid for fact in intake.facts("image_stored")}  # type: ignore[attr-defined]
    assert syntaxes == {DeflatedExplicitVRLittleEndian, ExplicitVRLittleEndian}
