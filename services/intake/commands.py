"""``gomphosis import``: a folder of DICOM files, each through the same checks as from the wire."""

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer
from pydicom.errors import InvalidDicomError
from pydicom.filereader import read_file_meta_info

from schemas.errors import GomphosisError, InvalidInput
from schemas.group import Device, DeviceKind, Site
from services.intake.count import word_of
from services.intake.image_files import IncomingFile
from services.intake.image_intake import ImageIntake, Sender
from services.intake.image_values import Values, name_of
from services.intake.service import open_image_folder
from services.runtime.service import open_runtime
from services.runtime.settings import load_settings

_PIECE_BYTES = 1 << 20
_REFUSED = 4  # the command line's code for a check that did not pass
_META = ("MediaStorageSOPClassUID", "MediaStorageSOPInstanceUID", "TransferSyntaxUID")


def import_folder(
    folder: Annotated[
        Path, typer.Argument(exists=True, readable=True, help="A DICOM file, or a folder of them.")
    ],
    site: Annotated[str, typer.Option(help="The site that the images are of.")],
    station: Annotated[str, typer.Option(help="The imaging station that made them.")],
    json_output: Annotated[bool, typer.Option("--json", help="Print JSON for a script.")] = False,
) -> None:
    """Import DICOM files as if the station had sent them.

    Exit code 0: every image is kept or was known. 4: some were refused, see the triage.

    Example: gomphosis import exports/ --site north --station station-1
    """
    runtime = open_runtime("intake", load_settings())
    try:
        at = runtime.group.site(site)
        device = _station(at, station)
        sender = Sender(at, device.name, device.room, "file")
        images = ImageIntake(
            "intake",
            runtime.group.name,
            runtime.store,
            runtime.relay,
            open_image_folder(runtime.settings),
            pixel_statistics=runtime.settings.intake.pixel_statistics,
        )
        counts, refused = _import_all(folder, images, sender)
    finally:
        runtime.bus.close()
        runtime.store.close()
    if json_output:
        typer.echo(json.dumps({"counts": counts, "refused": refused}))
    else:
        typer.echo(", ".join(f"{count} {word}" for word, count in counts.items()))
        for one in refused:
            typer.echo(f"refused {one['file']}: {one['reason']}")
    raise typer.Exit(_REFUSED if refused else 0)


def _import_all(
    folder: Path, images: ImageIntake, sender: Sender
) -> tuple[dict[str, int], list[dict[str, Any]]]:
    counts = Counter({"accepted": 0, "already known": 0, "conflicting": 0, "no DICOM": 0})
    refused: list[dict[str, Any]] = []
    for path in _files(folder):
        file = images.folder.new_file()
        try:
            if not _copy_in(path, file):
                counts["no DICOM"] += 1
                continue
            word = word_of(images.keep(file, sender))
            counts[
                {"already_known": "already known", "conflict": "conflicting"}.get(word, word)
            ] += 1
        except InvalidInput as error:
            if file.is_open:  # else its own file is what a person looks at
                images.refuse(file, sender, error)
            refused.append({"file": str(path), "field": error.field, "reason": str(error)})
        finally:
            file.discard()
    counts["refused"] = len(refused)
    return dict(counts), refused


def _copy_in(path: Path, file: IncomingFile) -> bool:
    """Copy a file's data set; tell whether it is a DICOM file at all (PS3.10 section 7.1)."""
    try:
        # Not by dcmread: it would unpack a deflated data set in memory, however large.
        meta = read_file_meta_info(path)
    except (InvalidDicomError, EOFError):
        return False
    except Exception as error:  # the parser may fail in many ways on a hostile file
        raise InvalidInput("file", str(error), "a DICOM file that can be parsed") from error
    with path.open("rb") as source:
        source.seek(132)
        # Group length, then as many bytes of file meta information as it says.
        head = source.read(12)
        length = int.from_bytes(head[8:12], "little") if head[:2] == b"\x02\x00" else 0
        source.seek(144 + length)
        values = Values(meta)
        told = [values.text(keyword) or "" for keyword in _META]
        for keyword, value in zip(_META, told, strict=True):
            if not value:
                raise InvalidInput(name_of(keyword), None, "a UID in the file meta information")
        file.begin(*told)
        while piece := source.read(_PIECE_BYTES):
            file.write(piece)
    if isinstance(file.failure, InvalidInput):
        raise file.failure
    if file.failure is not None:
        raise ImportStopped(path, str(file.failure)) from file.failure
    return True


class ImportStopped(GomphosisError):  # noqa: N818
    """An import could not go on; what was imported before stays."""

    def __init__(self, path: Path, reason: str) -> None:
        self.path = path
        super().__init__(
            f"import of {path}: {reason}. Mend it and import again: what is kept is recognised"
        )


def _files(folder: Path) -> Iterator[Path]:
    if folder.is_file():
        yield folder
    else:
        yield from sorted(path for path in folder.rglob("*") if path.is_file())


def _station(site: Site, name: str) -> Device:
    device = site.device(name)
    stations = [one.name for one in site.devices if one.kind is DeviceKind.STATION]
    if device is None or device.kind is not DeviceKind.STATION:
        raise InvalidInput("station", name, f"one of {', '.join(stations)}")
    return device
