"""Image files on disk: written beside, made durable, and only then given their name."""

import ctypes
import errno
import fcntl
import hashlib
import os
from pathlib import Path

import structlog

from schemas.envelope import new_id
from schemas.errors import GomphosisError, InvalidInput
from services.intake.file_meta import file_head
from services.intake.shared_sync import SharedSync
from services.runtime.folders import sync_folder

log = structlog.get_logger(__name__)

INCOMING, REJECTED = "incoming", "rejected"
_DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
_READ_BYTES = 1 << 20

_LIBC = ctypes.CDLL(None, use_errno=True)

# sync_file_range(2), of Linux only: begins to write what is dirty; 0 bytes mean to the file's end.
_SYNC_FILE_RANGE = getattr(_LIBC, "sync_file_range", None)
_SYNC_FILE_RANGE_WRITE = 2
if _SYNC_FILE_RANGE is not None:
    _SYNC_FILE_RANGE.argtypes = (ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint)

# renameat2(2), of Linux only: one change of the folders where link and unlink are two.
_RENAME = getattr(_LIBC, "renameat2", None)
_AT_FDCWD, _RENAME_NOREPLACE = -100, 1
_NOT_THERE = frozenset({errno.EINVAL, errno.ENOSYS})  # this file system or kernel knows it not
if _RENAME is not None:
    _RENAME.argtypes = (
        ctypes.c_int,
        ctypes.c_char_p,
        ctypes.c_int,
        ctypes.c_char_p,
        ctypes.c_uint,
    )


class NoRoom(GomphosisError):  # noqa: N818 - a state, not a fault of the caller
    """The disk has no room for another image: free some, or lower ``intake.min_free_bytes``."""

    def __init__(self, free_bytes: int | None, wanted_bytes: int) -> None:
        self.free_bytes = free_bytes
        self.wanted_bytes = wanted_bytes
        free = "none" if free_bytes is None else f"{free_bytes} bytes"
        super().__init__(f"image folder: expected {wanted_bytes} bytes free, found {free}")


class ImageTooLarge(GomphosisError):  # noqa: N818
    """An image is larger than ``intake.max_image_bytes``."""

    def __init__(self, limit_bytes: int) -> None:
        self.limit_bytes = limit_bytes
        super().__init__(f"image: expected at most {limit_bytes} bytes")


class IncomingFile:
    """An object on its way in: a DICOM file that is written piece by piece.

    The preamble and the file meta information are ours (PS3.10 section 7.1); the data set is
    kept as it was sent. ``sha256`` is that of the data set alone, so that the same image is
    recognised whether it came by network or from a file. What goes wrong while writing is kept
    in ``failure``, for who answers the sender; nothing of the file is left then.
    """

    def __init__(self, folder: Path, min_free_bytes: int, max_bytes: int) -> None:
        self.path = folder / f"{new_id()}.part"
        self.failure: Exception | None = None
        self.size_bytes = 0
        self.data_set_at = 0
        self.sop_class_uid = ""
        self.sop_instance_uid = ""
        self.transfer_syntax_uid = ""
        self._min_free_bytes = min_free_bytes
        self._max_bytes = max_bytes
        self._digest = hashlib.sha256()
        self._descriptor = -1
        self._has_name = False

    def begin(self, sop_class_uid: str, sop_instance_uid: str, transfer_syntax_uid: str) -> None:
        """Open the file and write what precedes the data set."""
        self.sop_class_uid = sop_class_uid
        self.sop_instance_uid = sop_instance_uid
        self.transfer_syntax_uid = transfer_syntax_uid
        try:
            status = os.statvfs(self.path.parent)
            free_bytes = status.f_bavail * status.f_frsize
            if free_bytes < self._min_free_bytes:
                raise NoRoom(free_bytes, self._min_free_bytes)
            self._descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o640)
            # Held until closed: a start-up elsewhere must not take it for a leftover.
            fcntl.flock(self._descriptor, fcntl.LOCK_EX)
            self._write_all(file_head(sop_class_uid, sop_instance_uid, transfer_syntax_uid))
            self.data_set_at = self.size_bytes
        except (OSError, InvalidInput, NoRoom) as error:
            self._fail(error)

    def write(self, *pieces: bytes | memoryview) -> None:
        """Append pieces of the data set. Does not raise: see ``failure``."""
        if self.failure is not None or self._descriptor < 0:
            return
        try:
            if self.size_bytes + sum(map(len, pieces)) > self._max_bytes:
                raise ImageTooLarge(self._max_bytes)
            for piece in pieces:
                self._digest.update(piece)
            self._write_all(*pieces)
        except (OSError, ImageTooLarge) as error:
            self._fail(error)

    @property
    def sha256(self) -> str:
        return self._digest.hexdigest()

    @property
    def is_open(self) -> bool:
        return self._descriptor >= 0

    def fileno(self) -> int:
        return self._descriptor

    def begin_sync(self) -> None:
        """Have the disk begin to write what is there, and do not wait: ``sync`` waits less then."""
        if self._descriptor >= 0 and _SYNC_FILE_RANGE is not None:
            # Only a hint: whatever goes wrong, sync() finds it out.
            _SYNC_FILE_RANGE(self._descriptor, 0, 0, _SYNC_FILE_RANGE_WRITE)

    def sync(self) -> None:
        """Return once the file's content is on the disk. Raises OSError."""
        os.fsync(self._descriptor)

    def close(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def give_name(self, path: Path) -> None:
        """Move it to a name that nothing has. Raises FileExistsError where one has, or OSError."""
        _move_to_new(self.path, path)
        self._has_name = True

    def discard(self) -> None:
        """Leave nothing of it under its temporary name. Safe to repeat; does not raise.

        What the disk does not let go now, the next start removes.
        """
        self.close()
        if not self._has_name:
            try:
                self.path.unlink(missing_ok=True)
            except OSError as error:
                log.warning("leftover_stays", path=str(self.path), reason=str(error))

    def _write_all(self, *pieces: bytes | memoryview) -> None:
        written = os.writev(self._descriptor, pieces)
        self.size_bytes += written
        for piece in pieces:  # a disk that is nearly full takes a part, and then says why
            rest = memoryview(piece)[written:]
            written = max(0, written - len(piece))
            while rest:
                more = os.write(self._descriptor, rest)
                self.size_bytes += more
                rest = rest[more:]

    def _fail(self, error: Exception) -> None:
        if isinstance(error, OSError) and error.errno in _DISK_FULL:
            self.failure = NoRoom(None, self._min_free_bytes)
        else:
            self.failure = error
        self.discard()


class ImageFolder:
    """The folder of all images; paths in facts are relative to it."""

    def __init__(self, root: Path, min_free_bytes: int, max_bytes: int) -> None:
        self.root = root
        self._min_free_bytes = min_free_bytes
        self._max_bytes = max_bytes
        self._made: set[Path] = set()
        self._syncs = SharedSync()
        for part in (INCOMING, REJECTED):
            (root / part).mkdir(parents=True, exist_ok=True)
            sync_folder(root)
        sync_folder(root.parent)

    def new_file(self) -> IncomingFile:
        return IncomingFile(self.root / INCOMING, self._min_free_bytes, self._max_bytes)

    def publish(self, file: IncomingFile, relative: Path) -> Path:
        """Give a file its name for good, durably; give the relative path it has then.

        A name is never taken from another content: where it is taken, the same content stays as
        it lies and another gets its hash into its name. Raises OSError.
        """
        file.sync()
        self._make_folder(relative.parent)
        for name in (relative, relative.with_suffix(f".{file.sha256[:16]}{relative.suffix}")):
            try:
                file.give_name(self.root / name)
            except FileExistsError:
                if not self._holds(name, file):
                    continue
            self._syncs.sync((self.root / name).parent)
            file.discard()
            return name
        raise FileExistsError(
            errno.EEXIST, "expected the file of this hash to hold its content", str(relative)
        )

    def reject(self, file: IncomingFile) -> Path:
        """Put a file that cannot be used aside, durably; give its relative path."""
        file.sync()
        name = Path(REJECTED) / f"{new_id()}.dcm"
        file.path.rename(self.root / name)
        sync_folder(self.root / REJECTED)
        file.close()
        return name

    def withdraw(self, relative: Path) -> None:
        """Remove a file that no fact names."""
        (self.root / relative).unlink(missing_ok=True)

    def remove_leftovers(self) -> int:
        """Remove what a killed process left half-way; tell how many files."""
        removed = 0
        for path in (self.root / INCOMING).glob("*.part"):
            with path.open("rb") as file:
                try:
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    continue  # another process is writing it
                path.unlink(missing_ok=True)
                removed += 1
        return removed

    def _make_folder(self, relative: Path) -> None:
        if relative in self._made and (self.root / relative).is_dir():
            return
        for folder in [*reversed(relative.parents), relative]:
            (self.root / folder).mkdir(exist_ok=True)
            # Also where it was there: whoever has made it may not have synced it yet.
            sync_folder((self.root / folder).parent)
        self._made.add(relative)

    def _holds(self, name: Path, file: IncomingFile) -> bool:
        path = self.root / name
        if path.stat().st_size != file.size_bytes:
            return False
        # The file meta information before it is ours and of the same size.
        digest = hashlib.sha256()
        with path.open("rb") as existing:
            existing.seek(file.data_set_at)
            while piece := existing.read(_READ_BYTES):
                digest.update(piece)
        return digest.hexdigest() == file.sha256


def _move_to_new(old: Path, new: Path) -> None:
    if _RENAME is not None:
        failed = _RENAME(_AT_FDCWD, bytes(old), _AT_FDCWD, bytes(new), _RENAME_NOREPLACE)
        if not failed:
            return
        code = ctypes.get_errno()
        if code not in _NOT_THERE:
            raise OSError(code, os.strerror(code), str(new))
    os.link(old, new)
    old.unlink()
