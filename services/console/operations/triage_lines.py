"""What could not be used, as a person reads it: the reason in plain words, gathered. Pure."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any, Final

from services.runtime import triage

_UNSEEN: Final = "\N{REPLACEMENT CHARACTER}"
MOST_SHOWN: Final = 20_000
"""Of a longer input this many bytes are shown, and it cannot be edited here. Invented."""

_CAME: Final = {
    "http": "told over HTTP",
    "bus": "a message on the bus",
    "file": "a line of a watched file",
    "dicom": "an image sent by DICOM",
    "dicom-request": "a DICOM request",
    "hl7": "an HL7 v2 message",
    "fhir": "a FHIR resource",
    "record": "told by the patient record",
}

DISCARD_REASONS: Final = (
    "Sent again since, and kept",
    "A test or a training, of no use",
    "Of no use: what it tells is known otherwise",
    "Cannot be mended; whoever it concerns was told",
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. ``text`` is safe to show: no control characters but line ends; ``whole`` tells
    whether it is all of it. ``elsewhere`` says how it is sent again where not from here."""

    id: int
    service: str
    came: str
    kind: str
    site: str | None
    field: str
    value: str
    expected: str
    attempts: int
    kept_at: datetime
    state: str
    text: str
    whole: bool
    elsewhere: str | None
    may_edit: bool
    settled_at: datetime | None
    settled_by: str | None
    settled_reason: str | None
    sent_message_id: str | None
    sent_text: str | None

    @property
    def reason(self) -> str:
        """Say in a sentence what was wrong."""
        shown = f", and was {self.value}" if self.value not in {"", "None"} else ", and was empty"
        return f"{self.field}: expected {self.expected}{shown}"

    @property
    def cause(self) -> str:
        """Name what entries of one cause share, whatever their values."""
        told = "\0".join((self.service, self.came, self.kind, self.field, _stem(self.expected)))
        return sha256(told.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Cause:
    """Entries that have one cause, the oldest first."""

    entries: tuple[Entry, ...]

    @property
    def first(self) -> Entry:
        return self.entries[0]

    @property
    def may_replay(self) -> bool:
        return all(one.elsewhere is None for one in self.entries)


def entry_of(row: Any) -> Entry:
    """Read a row of the triage."""
    text, whole = _shown(row.body)
    elsewhere = triage.how_elsewhere(row)
    sent = None if row.sent_body is None else _shown(row.sent_body)[0]
    return Entry(
        id=row.id,
        service=row.service,
        came=_CAME.get(row.origin, row.origin),
        kind=row.kind or "not known",
        site=triage.site_of(row),
        field=_plain(row.field),
        value=_plain(row.value),
        expected=_plain(row.expected),
        attempts=row.attempts,
        kept_at=row.kept_at,
        state=row.state,
        text=text,
        whole=whole,
        elsewhere=elsewhere,
        may_edit=elsewhere is None and whole and triage.is_offer(row),
        settled_at=row.settled_at,
        settled_by=row.settled_by,
        settled_reason=None if row.settled_reason is None else _plain(row.settled_reason),
        sent_message_id=row.sent_message_id,
        sent_text=sent,
    )


def by_cause(entries: Sequence[Entry]) -> list[Cause]:
    """Gather entries of one cause, the most frequent cause first."""
    found: dict[str, list[Entry]] = {}
    for one in entries:
        found.setdefault(one.cause, []).append(one)
    return sorted((Cause(tuple(own)) for own in found.values()), key=lambda one: -len(one.entries))


def _shown(body: bytes) -> tuple[str, bool]:
    whole = len(body) <= MOST_SHOWN
    text = body[:MOST_SHOWN].decode("utf-8", "replace")
    try:
        # A message of ours reads better with a line for each field.
        text = json.dumps(json.loads(text), indent=2, ensure_ascii=False)
    except (ValueError, RecursionError):
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return _plain(text, "\n\t"), whole


def _plain(text: str, kept: str = "") -> str:
    """Replace what would upset a page or the eye: control and invisible characters."""
    return "".join(one if one.isprintable() or one in kept else _UNSEEN for one in text)


def _stem(expected: str) -> str:
    """Leave out what differs by entry: numbers and what is quoted."""
    quoted = False
    kept = []
    for one in expected:
        if one in "'\"":
            quoted = not quoted
        elif not quoted and not one.isdigit():
            kept.append(one)
    return "".join(kept)
