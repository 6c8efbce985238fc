"""The group's file of the record's codes, read anew when it changes: no restart is needed.

A changed file that breaks its contract is not taken up: the codes of before stay in use, the
fault is logged, and ``gomphosis check-mapping`` tells it.
"""

from pathlib import Path
from threading import Lock

import structlog

from schemas.errors import InvalidInput
from schemas.mappings.posted_codes import OURS, PostedCodes, load_posted_codes
from schemas.mappings.record_code import Table
from schemas.rule_lines import line_of

log = structlog.get_logger(__name__)

_Seen = tuple[int, int, int]


class CodesFile:
    """The codes as the file says now. Safe to use from several threads."""

    def __init__(self, path: Path | None) -> None:
        """Read the file; without ``path`` our own codes stand, and it never changes.

        Raises InvalidInput, naming file, field and line.
        """
        self.path = path
        self._lock = Lock()
        self._seen = _seen(path)
        self._codes = OURS if path is None else load_posted_codes(path)

    def now(self) -> PostedCodes:
        """Give the codes; of a file that has changed, the new ones."""
        if self.path is None:
            return self._codes
        with self._lock:
            seen = _seen(self.path)
            if seen != self._seen:
                self._seen = seen
                self._read_again(self.path)
            return self._codes

    def _read_again(self, path: Path) -> None:
        try:
            self._codes = load_posted_codes(path)
        except InvalidInput as error:
            log.error("codes_file_not_taken_up", file=str(path), reason=str(error))
        else:
            log.info("codes_file_taken_up", file=str(path))

    def place_of(self, table: Table) -> str:
        """Say where in the file a line of a table belongs."""
        if self.path is None:
            return "the codes file, which the record adapter's option 'codes' names"
        try:
            text = self.path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return str(self.path)
        line = line_of(text, [table.value])
        return f"{self.path}, below line {line}" if line else f"{self.path}, at its end"


def _seen(path: Path | None) -> _Seen | None:
    """Tell one state of a file from another; None for one that is not there."""
    try:
        told = path.stat() if path is not None else None
    except OSError:
        return None
    return (told.st_mtime_ns, told.st_size, told.st_ino) if told is not None else None
