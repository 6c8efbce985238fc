"""The option ``codes`` of an adapter: the record's codes for ours, from a file of the group."""

from pathlib import Path

from schemas.errors import InvalidInput
from schemas.mappings.posted_codes import OURS, PostedCodes, load_posted_codes
from services.records.port import RecordOptionError


def read_codes(value: str) -> PostedCodes:
    """Read the file that the option names; ours stand where it names none (RecordOptionError)."""
    if not value:
        return OURS
    try:
        return load_posted_codes(Path(value))
    except InvalidInput as error:
        raise RecordOptionError("codes", value, str(error)) from error
