"""``gomphosis note-sr``: a structured report of the kept note, or a plain reason."""

from __future__ import annotations

from pathlib import Path

from pydicom import dcmread

from schemas.teeth import Species
from tests.assessed import STUDY
from tests.command_line import gomphosis, own_environment
from tests.kept_notes import keep
from tests.noted import full_mouth, noted

SITE = "bramble"


def test_a_note_is_written_once_as_a_report_and_never_over_another_file(tmp_path: Path) -> None:
    study = full_mouth("cat-full-mouth", Species.CAT)
    keep(tmp_path, study, noted(study, addendum_proposal="Invented."), SITE)
    out, environment = tmp_path / "note.dcm", own_environment(tmp_path)

    first = gomphosis(environment, "note-sr", STUDY, "--out", str(out))
    made = out.read_bytes()
    second = gomphosis(environment, "note-sr", STUDY, "--out", str(out))

    assert first.returncode == 0, first.stderr
    many = len(study.images)
    told = "draft, revision 1; an addendum is proposed, which is not in it;"
    assert f"{told} refers to {many} of {many} images." in first.stdout
    report = dcmread(out)
    assert report.SOPClassUID == "1.2.840.10008.5.1.4.1.1.88.11"
    assert report.StudyInstanceUID == STUDY
    assert second.returncode == 1
    assert "expected a new file" in second.stderr
    assert out.read_bytes() == made
    assert list(tmp_path.glob(".*.part")) == []


def test_a_note_that_is_not_known_is_said_so(tmp_path: Path) -> None:
    study = full_mouth("cat-full-mouth", Species.CAT)
    keep(tmp_path, study, None, SITE)
    out = tmp_path / "note.dcm"

    told = gomphosis(own_environment(tmp_path), "note-sr", STUDY, "--out", str(out))

    assert told.returncode == 3
    assert f"study {STUDY}: no note of it is known" in told.stderr
    assert not out.exists()
