"""Up to which day the books of the record folder are closed, as the record side says."""

from datetime import date
from pathlib import Path
from typing import Any, ClassVar

from pydantic import ValidationError

from schemas.base import Contract
from services.records.port import RecordRefused


class PeriodFile(Contract):
    """``periods.json``: entries of ``closed_through`` and before go under the day after it."""

    closed_through: date

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"closed_through": "2026-02-28"},)


def read_closed_through(root: Path) -> date | None:
    """Give the last closed day; None where the record side closes nothing.

    Raises RecordRefused where the file cannot be read as what it should be, and OSError.
    """
    path = root / "periods.json"
    try:
        return PeriodFile.model_validate_json(path.read_bytes()).closed_through
    except FileNotFoundError:
        return None
    except ValidationError as error:
        raise RecordRefused(
            f"record folder, {path.name}: expected {PeriodFile.EXAMPLES[0]}; correct the file"
        ) from error
