"""``gomphosis dose-report``: one study's dose as a DICOM dose report, in a file."""

import os
from pathlib import Path
from typing import Annotated

import typer
from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite

from schemas.conclusions import StudyAssessed
from schemas.envelope import new_id
from schemas.group import load_group
from services.notes.dose_report import NoDoseReport, dose_report
from services.notes.dose_report_words import CAUTION
from services.notes.store import find_assessments
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import Settings, load_settings
from services.runtime.store import Store


def write_dose_report(
    study: Annotated[str, typer.Argument(help="The Study Instance UID.")],
    out: Annotated[Path, typer.Option("--out", help="The file to write; it must not exist.")],
    site: Annotated[
        str | None, typer.Option(help="The site, where several know a study of this UID.")
    ] = None,
) -> None:
    """Write one study's dose as a DICOM dose report, as it is assessed now.

    Exit code 3: no assessment of such a study is known. 4: the study has no dose to report, or a
    device has reported it.

    Example: gomphosis dose-report 2.25.1001 --out dose.dcm
    """
    with plain_errors():
        settings = load_settings()
        found = [
            (name, assessed)
            for name, assessed in _find(settings, study)
            if site is None or name == site
        ]
        if not found:
            stderr.print(f"study {study}: no assessment of it is known", markup=False)
            raise typer.Exit(Exit.NOT_FOUND)
        if len(found) > 1:
            names = ", ".join(name for name, _ in found)
            stderr.print(f"study {study}: expected --site, one of {names}", markup=False)
            raise typer.Exit(Exit.WRONG_USE)
        name, assessed = found[0]
        try:
            report = dose_report(assessed, load_group(settings.group_dir).site(name))
        except NoDoseReport as error:
            stderr.print(str(error), markup=False)
            raise typer.Exit(Exit.CHECK_FAILED) from error
    try:
        _write(report, out)
    except OSError as error:
        stderr.print(f"--out {out}: expected a new file in a folder that can be written ({error})")
        raise typer.Exit(Exit.FAILED) from error
    events = len(assessed.exposures)
    stdout.print(f"{out}: {events} exposures, revision {assessed.revision}. {CAUTION}")


def _find(settings: Settings, study: str) -> list[tuple[str, StudyAssessed]]:
    opened = Store(settings.store_url, settings.store.pool_size)
    try:
        with opened.read() as connection:
            return find_assessments(connection, study)
    finally:
        opened.close()


def _write(report: Dataset, out: Path) -> None:
    """Write a whole file or none, and never over another."""
    part = out.with_name(f".{new_id()}.part")
    try:
        dcmwrite(part, report, enforce_file_format=True)
        os.link(part, out)
    finally:
        part.unlink(missing_ok=True)
