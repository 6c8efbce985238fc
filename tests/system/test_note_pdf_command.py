"""``gomphosis note-pdf``: a PDF of the kept note with its pictures, or a plain reason."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian
from pypdf import PdfReader

from schemas.teeth import Species
from tests.assessed import STUDY
from tests.command_line import gomphosis, own_environment
from tests.kept_notes import keep
from tests.noted import full_mouth, noted

SITE = "bramble"


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    return own_environment(tmp_path)


def keep_image(tmp_path: Path, day: str, uid: str) -> None:
    """Keep an invented image where intake does."""
    made = Dataset()
    made.SOPClassUID, made.SOPInstanceUID = "1.2.840.10008.5.1.4.1.1.1.3", uid
    made.Rows, made.Columns, made.SamplesPerPixel = 8, 8, 1  # no two of the same pixels
    made.PhotometricInterpretation = "MONOCHROME2"
    made.BitsAllocated, made.BitsStored, made.HighBit, made.PixelRepresentation = 8, 8, 7, 0
    made.PixelData = np.roll(np.arange(64, dtype=np.uint8), int(uid[-1:])).tobytes()
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    path = tmp_path / "data" / "images" / SITE / day / f"{uid}.dcm"
    path.parent.mkdir(parents=True, exist_ok=True)
    made.save_as(path, enforce_file_format=True)


def test_a_note_is_written_once_with_its_pictures_and_never_over_another_file(
    tmp_path: Path, environment: dict[str, str]
) -> None:
    study = full_mouth("cat-full-mouth", Species.CAT)
    keep(tmp_path, study, noted(study), SITE)
    _, one, two, *_ = study.images
    keep_image(tmp_path, "2026/03/02", one.sop_instance_uid)
    keep_image(tmp_path, "2026/03/03", two.sop_instance_uid)
    out = tmp_path / "note.pdf"

    first = gomphosis(environment, "note-pdf", STUDY, "--out", str(out))
    made = out.read_bytes()
    second = gomphosis(environment, "note-pdf", STUDY, "--out", str(out))

    assert first.returncode == 0, first.stderr
    assert f"draft, revision 1; 2 of {len(study.images)} pictures." in first.stdout
    text = " ".join(page.extract_text() for page in PdfReader(out).pages)
    assert "Tooth chart: cat, permanent teeth" in text
    images = [image for page in PdfReader(out).pages for image in page.images]
    assert len(images) == 2
    assert second.returncode == 1
    assert "expected a new file" in second.stderr
    assert out.read_bytes() == made
    assert list(tmp_path.glob(".*.part")) == []


def test_a_note_that_is_not_known_is_said_so(tmp_path: Path, environment: dict[str, str]) -> None:
    study = full_mouth("cat-full-mouth", Species.CAT)
    keep(tmp_path, study, None, SITE)
    out = tmp_path / "note.pdf"

    for asked in (STUDY, "2.25.404"):
        told = gomphosis(environment, "note-pdf", asked, "--out", str(out))
        assert told.returncode == 3
        assert f"study {asked}: no note of it is known" in told.stderr
    assert not out.exists()


def test_where_two_sites_know_the_study_the_site_is_asked_for(
    tmp_path: Path, environment: dict[str, str]
) -> None:
    study = full_mouth("dog-full-mouth", Species.DOG)
    keep(tmp_path, study, noted(study), "another", SITE)
    out = tmp_path / "note.pdf"

    unclear = gomphosis(environment, "note-pdf", STUDY, "--out", str(out))
    named = gomphosis(environment, "note-pdf", STUDY, "--out", str(out), "--site", SITE)

    assert unclear.returncode == 2
    assert f"expected --site, one of another, {SITE}" in unclear.stderr
    assert named.returncode == 0, named.stderr
