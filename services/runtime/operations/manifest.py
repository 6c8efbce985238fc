"""What a backup holds: its files with their checksums, and how many rows each table had."""

import hashlib
import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from schemas.errors import GomphosisError

MANIFEST: Final = "manifest.json"
SUMS: Final = "SHA256SUMS"
"""In the form of coreutils, so that ``sha256sum --check SHA256SUMS`` says the same as we do."""

_CHUNK_BYTES: Final = 1 << 20


class BackupError(GomphosisError):
    """A backup cannot be taken, does not hold, or cannot be put back; says which part."""


class Manifest(BaseModel):
    """``exact``: store and queues were copied at one moment, so nothing has to be told again.

    ``rows`` counts each table as it was copied; ``images`` the files below ``images/``.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    form: Literal[1] = 1
    version: str
    taken_at: datetime
    schema_revision: str
    database: Literal["sqlite", "postgresql"]
    exact: bool
    images: int | None
    image_bytes: int
    rows: dict[str, int]


def sha256_of(path: Path) -> str:
    """Hash a file's content."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def copy_durably(source: Path, target: Path) -> str:
    """Copy a file, sync it, and give the checksum of what was read."""
    target.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    with source.open("rb") as read, target.open("xb") as written:
        while chunk := read.read(_CHUNK_BYTES):
            digest.update(chunk)
            written.write(chunk)
        written.flush()
        os.fsync(written.fileno())
    return digest.hexdigest()


def write_sums(folder: Path, sums: dict[str, str]) -> None:
    """Write the checksums, by path."""
    for path in sums:
        if "\n" in path or "\\" in path:
            raise BackupError(f"file {path!r}: expected a name without line break or backslash")
    lines = [f"{digest}  {path}\n" for path, digest in sorted(sums.items())]
    (folder / SUMS).write_text("".join(lines), encoding="utf-8")


def read_sums(folder: Path) -> dict[str, str]:
    """Read the checksums, by path. Raises BackupError."""
    try:
        lines = (folder / SUMS).read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise BackupError(
            f"backup {folder}: expected its file {SUMS} ({error.strerror})"
        ) from error
    return {path: digest for digest, _, path in (line.partition("  ") for line in lines)}


def read_manifest(folder: Path) -> Manifest:
    """Read what a backup says of itself. Raises BackupError."""
    try:
        return Manifest.model_validate_json((folder / MANIFEST).read_bytes())
    except OSError as error:
        raise BackupError(
            f"backup {folder}: expected its file {MANIFEST} ({error.strerror})"
        ) from error
    except ValidationError as error:
        raise BackupError(f"backup {folder}: expected a {MANIFEST} of ours ({error})") from error


def files_below(folder: Path) -> Iterator[Path]:
    """Give every file below a folder, in order."""
    return (path for path in sorted(folder.rglob("*")) if path.is_file())


def verify(folder: Path) -> Manifest:
    """Read every file of a backup and compare it with its checksum; give its manifest.

    Raises BackupError naming the first file that is missing, changed or not listed.
    """
    sums = read_sums(folder)
    if MANIFEST not in sums:
        raise BackupError(f"backup {folder}: expected {MANIFEST} among the checksums")
    for path, digest in sums.items():
        file = folder / path
        if not file.is_file():
            raise BackupError(f"backup {folder}: expected the file {path}, found none")
        if sha256_of(file) != digest:
            raise BackupError(f"backup {folder}: {path} is not what was backed up (its checksum)")
    for file in files_below(folder):
        name = file.relative_to(folder).as_posix()
        if name != SUMS and name not in sums:
            raise BackupError(f"backup {folder}: {name} is not listed in {SUMS}")
    return read_manifest(folder)
