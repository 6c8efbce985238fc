"""``gomphosis note-pdf``: one study's note as PDF, in a file."""

import os
from datetime import timedelta
from pathlib import Path
from typing import Annotated, NamedTuple

import typer

from schemas.conclusions import ImageResult, ImageUse, NoteWritten, StudyAssessed
from schemas.envelope import new_id
from schemas.group import Site, load_group
from services.notes.pdf import CAUTION, ViewPicture, note_pdf
from services.notes.store import find_assessments, read_note
from services.notes.thumbnails import NOT_HERE, Thumbnail, thumbnail
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import Settings, load_settings
from services.runtime.store import Store


class _Found(NamedTuple):
    site: str
    assessment: StudyAssessed
    note: NoteWritten


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
    marked as a draft on each page. Exit code 3: no note of such a study is known.

    Example: gomphosis note-pdf 2.25.1001 --out note.pdf
    """
    with plain_errors():
        settings = load_settings()
        found = [one for one in _find(settings, study) if site is None or one.site == site]
        if not found:
            stderr.print(f"study {study}: no note of it is known", markup=False)
            raise typer.Exit(Exit.NOT_FOUND)
        if len(found) > 1:
            names = ", ".join(one.site for one in found)
            stderr.print(f"study {study}: expected --site, one of {names}", markup=False)
            raise typer.Exit(Exit.WRONG_USE)
        name, assessment, note = found[0]
        of_site = load_group(settings.group_dir).site(name)
        pictures = view_pictures(assessment, of_site, images or settings.images_dir)
        made = note_pdf(note, assessment, of_site, pictures)
    try:
        _write(made, out)
    except OSError as error:
        words = f"--out {out}: expected a new file in a folder that can be written ({error})"
        stderr.print(words, markup=False)
        raise typer.Exit(Exit.FAILED) from error
    shown = sum(one.picture.png is not None for one in pictures)
    words = f"{out}: {note.state}, revision {note.revision}; {shown} of {len(pictures)} pictures."
    stdout.print(f"{words} {CAUTION}", markup=False)


def view_pictures(assessment: StudyAssessed, site: Site, folder: Path) -> list[ViewPicture]:
    """Give the small picture of each view's image, in the order of the plan."""
    titles = {view.view: view.title for view in assessment.views}
    order = {name: place for place, name in enumerate(titles)}
    used = [
        (one.view, one)
        for one in assessment.images
        if one.use is ImageUse.VIEW and one.view is not None
    ]
    used.sort(key=lambda pair: (order.get(pair[0], len(order)), pair[1].sop_instance_uid))
    return [ViewPicture(titles.get(view, view), _picture(one, site, folder)) for view, one in used]


def _picture(image: ImageResult, site: Site, folder: Path) -> Thumbnail:
    """Look where intake keeps it: by the day of the image's own clock, which may be off."""
    acquired = image.acquired_at.astimezone(site.zone)
    for days in (0, -1, 1):
        day = acquired + timedelta(days=days)
        path = folder / site.name / f"{day:%Y/%m/%d}" / f"{image.sop_instance_uid}.dcm"
        if path.is_file():
            return thumbnail(path)
    return Thumbnail(None, NOT_HERE)


def _find(settings: Settings, study: str) -> list[_Found]:
    opened = Store(settings.store_url, settings.store.pool_size)
    try:
        with opened.read() as connection:
            kept = [
                (site, assessment, read_note(connection, site, study).snapshot)
                for site, assessment in find_assessments(connection, study)
            ]
    finally:
        opened.close()
    return [_Found(site, about, note) for site, about, note in kept if note is not None]


def _write(made: bytes, out: Path) -> None:
    """Write a whole file or none, and never over another."""
    part = out.with_name(f".{new_id()}.part")
    try:
        part.write_bytes(made)
        os.link(part, out)
    finally:
        part.unlink(missing_ok=True)
