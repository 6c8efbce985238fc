"""What happened, and what a door said it has taken, as lines of JSON. The standard library alone.

The teller writes both files while it works, the checker reads them afterwards; nothing else is
shared between the two.

``truth.jsonl`` has a line for each study, written before anything of it is told: patient, account,
images, exposures, and the charges that must be on this account in the end. ``acknowledged.jsonl``
has a line for each thing that a door acknowledged, written after it did.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import Any

TRUTH = "truth.jsonl"
ACKNOWLEDGED = "acknowledged.jsonl"


@dataclass(frozen=True)
class Charge:
    """What one code must come to on the account, charges less credits. ``amount`` is a decimal."""

    code: str
    quantity: int
    amount: str


@dataclass(frozen=True)
class Study:
    """One study as it really was.

    ``images`` are the SOP Instance UIDs made of this patient; ``exposures`` the serials and
    counters. ``account`` is None where the record's orders name none. Without ``noted`` no note
    is due (a training order).
    """

    study: str
    site: str
    room: str
    patient: str
    account: str | None
    order_id: str
    images: tuple[str, ...]
    exposures: tuple[tuple[str, int], ...]
    charges: tuple[Charge, ...]
    noted: bool


@dataclass(frozen=True)
class Fact:
    """A fact that a door has taken.

    ``key`` is the receipt: the natural key that the door told, the SOP Instance UID of an image,
    the number of an order.
    """

    site: str
    kind: str
    key: str


@dataclass(frozen=True)
class Signature:
    """A vet's signature that a door has taken: for this content, which said this text."""

    site: str
    study: str
    content_sha256: str
    text: str


@dataclass(frozen=True)
class Addendum:
    """A text that a vet has added to a signed note."""

    site: str
    study: str
    text: str


@dataclass(frozen=True)
class Poison:
    """Input that nobody can use. ``mark`` stands in its bytes and in no other input."""

    mark: str
    door: str


Acknowledged = Fact | Signature | Addendum | Poison
_KINDS: dict[str, type[Acknowledged]] = {
    one.__name__.lower(): one for one in (Fact, Signature, Addendum, Poison)
}


class Book:
    """Both files, open for adding. Safe to use from many threads."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._truth = (folder / TRUTH).open("a", encoding="utf-8")
        self._acknowledged = (folder / ACKNOWLEDGED).open("a", encoding="utf-8")
        self._lock = Lock()

    def happens(self, *studies: Study) -> None:
        """Write down studies before they are told."""
        with self._lock:
            self._truth.writelines(json.dumps(asdict(one)) + "\n" for one in studies)
            self._truth.flush()

    def acknowledged(self, *all_of_them: Acknowledged) -> None:
        """Write down what a door has just acknowledged."""
        at = datetime.now(UTC).isoformat()
        with self._lock:
            for one in all_of_them:
                line = {"what": type(one).__name__.lower(), "at": at, **asdict(one)}
                self._acknowledged.write(json.dumps(line) + "\n")
            self._acknowledged.flush()

    def close(self) -> None:
        self._truth.close()
        self._acknowledged.close()


def read_studies(folder: Path) -> Iterator[Study]:
    """Read ``truth.jsonl``."""
    for told in _lines(folder / TRUTH):
        yield Study(
            **told
            | {
                "images": tuple(told["images"]),
                "exposures": tuple((serial, counter) for serial, counter in told["exposures"]),
                "charges": tuple(Charge(**one) for one in told["charges"]),
            }
        )


def read_acknowledged(folder: Path) -> Iterator[Acknowledged]:
    """Read ``acknowledged.jsonl``."""
    for told in _lines(folder / ACKNOWLEDGED):
        kind = _KINDS[told.pop("what")]
        del told["at"]
        yield kind(**told)


def _lines(path: Path) -> Iterator[dict[str, Any]]:
    with path.open(encoding="utf-8") as file:
        for line in file:
            yield json.loads(line)
