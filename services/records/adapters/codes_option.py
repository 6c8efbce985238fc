"""The option ``codes`` of an adapter: the record's codes for ours, from a file of the group.

An adapter keeps the ``CodesFile``, gives it as ``codes_file()``, and asks it for ``now()`` at
each posting: ``now().coded(Table.TEETH, "108")`` is the record's code, or None where it is told
none. What the file lacks never comes to the adapter: such a posting waits before it.
"""

from pathlib import Path
from typing import Any

from schemas.errors import InvalidInput
from services.records.codes_file import CodesFile
from services.records.port import RecordOptionError
from services.records.unmapped import Posting, coded


def open_codes(value: str) -> CodesFile:
    """Read the file that the option names; ours stand where it names none (RecordOptionError)."""
    try:
        return CodesFile(Path(value) if value else None)
    except InvalidInput as error:
        raise RecordOptionError("codes", value, str(error)) from error


def coded_of(posting: Posting, file: CodesFile) -> dict[str, Any]:
    """Give the record's codes of a posting by table; empty where the group has no codes file."""
    if file.path is None:
        return {}
    return {
        table.value: {
            ours: its.model_dump(mode="json", exclude_none=True) for ours, its in told.items()
        }
        for table, told in coded(posting, file.now()).items()
    }
