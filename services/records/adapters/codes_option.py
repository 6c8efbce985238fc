"""The option ``codes`` of an adapter: the record's codes for ours, from a file of the group.

An adapter keeps the ``CodesFile``, gives it as ``codes_file()``, and asks it for ``now()`` at
each posting: ``now().coded(Table.TEETH, "108")`` is the record's code, or None where it is told
none. What the file lacks never comes to the adapter: such a posting waits before it.
"""

from pathlib import Path

from schemas.errors import InvalidInput
from services.records.codes_file import CodesFile
from services.records.port import RecordOptionError


def open_codes(value: str) -> CodesFile:
    """Read the file that the option names; ours stand where it names none (RecordOptionError)."""
    try:
        return CodesFile(Path(value) if value else None)
    except InvalidInput as error:
        raise RecordOptionError("codes", value, str(error)) from error
