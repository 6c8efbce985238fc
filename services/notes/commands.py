"""``gomphosis dose-report``: one study's dose as a DICOM dose report, in a file."""

from pathlib import Path
from typing import Annotated

import typer
from pydicom.filewriter import dcmwrite

from schemas.conclusions import StudyAssessed
from schemas.group import load_group
from services.notes.dose_report import NoDoseReport, dose_report
from services.notes.dose_report_words import CAUTION
from services.notes.new_file import write_new
from services.notes.only_one import only_one
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
        found = _find(settings, study)
        name, assessed = only_one(found, study, site, "no assessment of it is known")
        try:
            report = dose_report(assessed, load_group(settings.group_dir).site(name))
        except NoDoseReport as error:
            stderr.print(str(error), markup=False)
            raise typer.Exit(Exit.CHECK_FAILED) from error
    write_new(out, lambda part: dcmwrite(part, report, enforce_file_format=True))
    events = len(assessed.exposures)
    stdout.print(f"{out}: {events} exposures, revision {assessed.revision}. {CAUTION}")


def _find(settings: Settings, study: str) -> list[tuple[str, StudyAssessed]]:
    opened = Store(settings.store_url, settings.store.pool_size)
    try:
        with opened.read() as connection:
            return find_assessments(connection, study)
    finally:
        opened.close()
