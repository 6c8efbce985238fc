"""``gomphosis note-sr``: one study's note as a DICOM structured report, in a file."""

from pathlib import Path
from typing import Annotated

import typer
from pydicom.filewriter import dcmwrite

from services.notes.kept_note import note_at_hand
from services.notes.new_file import write_new
from services.notes.note_sr import note_sr
from services.notes.pdf import CAUTION
from services.notes.wording import standing
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.settings import load_settings


def write_note_sr(
    study: Annotated[str, typer.Argument(help="The Study Instance UID.")],
    out: Annotated[Path, typer.Option("--out", help="The file to write; it must not exist.")],
    site: Annotated[
        str | None, typer.Option(help="The site, where several know a study of this UID.")
    ] = None,
) -> None:
    """Write one study's note, as it stands, as a DICOM Basic Text SR for the image archive.

    An unsigned note is marked partial, preliminary and unverified; a signed one names the vets who
    verified it and its predecessor, and never changes. It refers to the study's images.
    Exit code 3: no note of such a study is known.

    Example: gomphosis note-sr 2.25.1001 --out note.dcm
    """
    with plain_errors():
        settings = load_settings()
        of_site, (note, shown, version) = note_at_hand(settings, study, site)
        made = note_sr(note, shown, of_site, version)
    write_new(out, lambda part: dcmwrite(part, made, enforce_file_format=True))
    known = sum(
        one.series_instance_uid is not None and one.sop_class_uid is not None
        for one in shown.images
    )
    words = f"{out}: {standing(note)}; refers to {known} of {len(shown.images)} images. {CAUTION}"
    stdout.print(words, markup=False)
