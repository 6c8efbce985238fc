"""``gomphosis dose-report``: a file that a DICOM program can read, or a plain reason."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from pydicom import dcmread

from schemas.conclusions import StudyAssessed
from services.notes.note_file import NoteFile
from services.notes.store import KeptNote, write_note
from services.runtime.migrate import migrate
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.assessed import STUDY, assessed, exposure

GROUP_DIR = Path(__file__).parents[2] / "demo" / "group"


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    own = {
        "GOMPHOSIS_DATA_DIR": str(tmp_path / "data"),
        "GOMPHOSIS_GROUP_DIR": str(GROUP_DIR),
        "COLUMNS": "200",
    }
    return dict(os.environ) | own


def keep(tmp_path: Path, study: StudyAssessed, *sites: str) -> None:
    """Keep an assessment as the notes worker does."""
    (tmp_path / "data").mkdir()
    settings = Settings(data_dir=tmp_path / "data", group_dir=GROUP_DIR)
    store = Store(settings.store_url, 1)
    try:
        migrate(store)
        with store.begin() as connection:
            for site in sites:
                now = KeptNote(NoteFile(assessment=study))
                write_note(connection, site, study.study_instance_uid, KeptNote(), now)
    finally:
        store.close()


def command(environment: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "services.runtime.cli.main", "dose-report", *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_a_study_is_written_once_and_never_over_another_file(
    environment: dict[str, str], tmp_path: Path
) -> None:
    # given
    keep(tmp_path, assessed(exposures=(exposure(1, kerma_mgy=1.6),)), "bramble")
    out = tmp_path / "dose.dcm"

    # when
    told = command(environment, STUDY, "--out", str(out))

    # then
    assert told.returncode == 0, told.stderr
    assert "not a dosimeter" in told.stdout
    report = dcmread(out)
    assert report.StudyInstanceUID == STUDY
    before = out.read_bytes()
    again = command(environment, STUDY, "--out", str(out))
    assert again.returncode == 1
    assert "expected a new file" in again.stderr
    assert out.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["data", "dose.dcm"]


@pytest.mark.parametrize(
    ("study", "asked", "code", "words"),
    [
        (assessed(exposures=(exposure(1),)), "2.25.404", 3, "no assessment of it is known"),
        (assessed(exposures=()), STUDY, 4, "none is known"),
    ],
)
def test_what_cannot_be_written_says_why(
    environment: dict[str, str],
    tmp_path: Path,
    study: StudyAssessed,
    asked: str,
    code: int,
    words: str,
) -> None:
    keep(tmp_path, study, "bramble")

    told = command(environment, asked, "--out", str(tmp_path / "dose.dcm"))

    assert told.returncode == code
    assert words in told.stderr
    assert not (tmp_path / "dose.dcm").exists()


def test_a_study_that_two_sites_know_asks_for_the_site(
    environment: dict[str, str], tmp_path: Path
) -> None:
    keep(tmp_path, assessed(exposures=(exposure(1),)), "bramble", "other")

    told = command(environment, STUDY, "--out", str(tmp_path / "dose.dcm"))
    chosen = command(environment, STUDY, "--out", str(tmp_path / "dose.dcm"), "--site", "bramble")

    assert told.returncode == 2
    assert "--site, one of bramble, other" in told.stderr
    assert chosen.returncode == 0, chosen.stderr
