"""``gomphosis dose-report``: a file that a DICOM program can read, or a plain reason."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydicom import dcmread

from schemas.conclusions import StudyAssessed
from tests.assessed import STUDY, assessed, exposure
from tests.command_line import gomphosis, own_environment
from tests.kept_notes import keep


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    return own_environment(tmp_path)


def test_a_study_is_written_once_and_never_over_another_file(
    environment: dict[str, str], tmp_path: Path
) -> None:
    # given
    keep(tmp_path, assessed(exposures=(exposure(1, kerma_mgy=1.6),)), None, "bramble")
    out = tmp_path / "dose.dcm"

    # when
    told = gomphosis(environment, "dose-report", STUDY, "--out", str(out))

    # then
    assert told.returncode == 0, told.stderr
    assert "not a dosimeter" in told.stdout
    report = dcmread(out)
    assert report.StudyInstanceUID == STUDY
    before = out.read_bytes()
    again = gomphosis(environment, "dose-report", STUDY, "--out", str(out))
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
    keep(tmp_path, study, None, "bramble")

    told = gomphosis(environment, "dose-report", asked, "--out", str(tmp_path / "dose.dcm"))

    assert told.returncode == code
    assert words in told.stderr
    assert not (tmp_path / "dose.dcm").exists()


def test_a_study_that_two_sites_know_asks_for_the_site(
    environment: dict[str, str], tmp_path: Path
) -> None:
    keep(tmp_path, assessed(exposures=(exposure(1),)), None, "bramble", "other")

    told = gomphosis(environment, "dose-report", STUDY, "--out", str(tmp_path / "dose.dcm"))
    chosen = gomphosis(
        environment, "dose-report", STUDY, "--out", str(tmp_path / "dose.dcm"), "--site", "bramble"
    )

    assert told.returncode == 2
    assert "--site, one of bramble, other" in told.stderr
    assert chosen.returncode == 0, chosen.stderr
