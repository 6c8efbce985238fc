"""``gomphosis note-pdf``: one study's note as PDF, in a file."""

from pathlib import Path
from typing import Annotated

import typer

from services.notes.kept_note import note_at_hand
from services.notes.new_file import write_new
from services.notes.note_pictures import view_pictures
from services.notes.pdf import CAUTION, note_pdf
from services.notes.wording import standing
from services.runtime.cli.exits import plain_errors, stdout
from services.runtime.settings import load_settings


def write_note_pdf(
    study: Annotated[str, typer.Argument(help="The Study Instance UID.")],
    out: Annotated[Path, typer.Option("--out", help="The file to write; it must not exist.")],
    site: Annotated[
        str | None, typer.Option(help="The site, where several know a study of this UID.")
    ] = None,
    images: Annotated[
        Path | None,
        typer.Option(help="The folder of kept images; without it the one of the settings."),
    ] = None,
) -> None:
    """Write one study's note, as it stands, as PDF for the archive, with a tooth chart.

    A small picture stands for each view whose image is on this machine. An unsigned note is
    marked as a draft on each page; a signed one shows what its signature saw, whatever came after.
    Exit code 3: no note of such a study is known.

    Example: gomphosis note-pdf 2.25.1001 --out note.pdf
    """
    with plain_errors():
        settings = load_settings()
        of_site, (note, shown, _) = note_at_hand(settings, study, site)
        pictures = view_pictures(shown, of_site, images or settings.images_dir)
        made = note_pdf(note, shown, of_site, pictures)
    write_new(out, lambda part: part.write_bytes(made))
    drawn = sum(one.picture.png is not None for one in pictures)
    words = f"{out}: {standing(note)}; {drawn} of {len(pictures)} pictures. {CAUTION}"
    stdout.print(words, markup=False)
