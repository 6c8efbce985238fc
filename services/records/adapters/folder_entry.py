"""One entry of the record folder as it is read back."""

import json
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from schemas.base import Money
from schemas.conclusions import EntryType
from schemas.facts.desk import PostingKey
from schemas.facts.record_lines import HeldCode
from services.records.port import HeldLine, RecordRefused

LAYOUT = "gomphosis-folder-1"


def digest_of(content: dict[str, Any]) -> str:
    """Give the sha256 of content in its canonical form."""
    canonical = json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return sha256(canonical.encode()).hexdigest()


class _LineIn(BaseModel):
    """What every line that we posted says of itself."""

    model_config = ConfigDict(strict=True, extra="ignore")

    posting_key: PostingKey
    type: EntryType
    reverses: PostingKey | None = None
    code: HeldCode
    quantity: Annotated[int, Field(ge=1)]
    amount: Money
    service_day: date


@dataclass(frozen=True, slots=True)
class Entry:
    """A charge, credit or note as its file holds it."""

    path: Path
    reference: str
    position: int
    sha256: str
    content: dict[str, Any]

    @property
    def posting_key(self) -> str:
        inner = self.content.get("entry", self.content)
        return str(inner["posting_key"])

    def held_line(self) -> HeldLine:
        """Give a charge or credit. Raises RecordRefused where the file is damaged."""
        try:
            # What the line is, whoever made it: a ledger entry, or a correction of one.
            entry = _LineIn.model_validate_json(json.dumps(self.content["entry"]))
            return HeldLine(
                posting_key=entry.posting_key,
                type=entry.type,
                reverses=entry.reverses,
                site=str(self.content["site"]),
                patient_id=str(self.content["patient_id"]),
                study_instance_uid=str(self.content["study_instance_uid"]),
                code=entry.code,
                quantity=entry.quantity,
                amount=entry.amount,
                currency=str(self.content["currency"]),
                service_day=entry.service_day,
                posting_day=date.fromisoformat(
                    str(self.content.get("posting_day", entry.service_day))
                ),
                reference=self.reference,
                changed_by_hand=digest_of(self.content) != self.sha256,
            )
        except (ValueError, KeyError) as error:
            raise _damaged(self.reference, error) from error


def read_entry(path: Path, root: Path) -> Entry:
    """Read an entry. Raises RecordRefused where the file is damaged, and OSError."""
    reference = path.relative_to(root).as_posix()
    body = path.read_bytes()
    try:
        held = json.loads(body)
        entry = Entry(
            path, reference, int(held["position"]), str(held["sha256"]), dict(held["content"])
        )
        if held["layout"] != LAYOUT or not entry.posting_key:
            raise ValueError(f"expected layout {LAYOUT}, got {held['layout']}")
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise _damaged(reference, error) from error
    return entry


def _damaged(reference: str, error: Exception) -> RecordRefused:
    return RecordRefused(
        f"record folder, {reference}: expected an entry as we wrote it ({error}); "
        "restore the file from a backup or take it away"
    )
