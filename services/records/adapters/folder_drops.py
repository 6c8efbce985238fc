"""What the record side leaves in the record folder: orders, and answers to postings.

An order file ``orders/<any name>.json``, at most 1 MB::

    {"kind": "order_placed", "schema_version": 1, "site": "north",
     "occurred_at": "2026-03-02T08:00:00Z", "payload": {... as the fact of that kind ...}}

``kind`` is ``order_placed`` or ``order_cancelled``. Once it is durable with us the file is in
``orders/taken/``; one that breaks the contract is in ``orders/rejected/`` and in triage.

An answer ``<file>.json.answer.json`` beside a charge or a note::

    {"outcome": "rejected", "words": "Account closed"}
    {"outcome": "accepted", "reference": "X-1"}

Once we have it, it is renamed to ``<file>.json.answer.json.taken`` (or ``.rejected`` where it
cannot be read) and still counts.

A file that cannot be read and is younger than two seconds is left: it may still be written.
"""

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from errno import ENOTDIR
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, ValidationError

from schemas.base import Contract, Name, Text, UtcTime
from schemas.errors import InvalidInput
from schemas.facts import OrderCancelled, OrderPlaced, PostingOutcome
from schemas.messages import MAX_MESSAGE_BYTES, invalid_input, read_payload
from services.records.adapters.durable_files import move_durably
from services.records.adapters.folder_entry import read_entry
from services.records.port import (
    LateAnswer,
    OrderOffer,
    RecordRefused,
    RecordUnavailable,
    Unreadable,
)
from services.runtime.folders import sync_folder

_STILL_WRITTEN_S = 2.0
_MTIME_STEP_NS = 2_000_000_000
_ANSWER = ".answer.json"


@contextmanager
def translated(root: Path) -> Iterator[None]:
    """Turn the trouble of the file system into an outage, which only delays."""
    try:
        if root.exists() and not root.is_dir():
            # Looking for files below would find none, as if the record held nothing.
            raise NotADirectoryError(ENOTDIR, os.strerror(ENOTDIR), str(root))
        yield
    except OSError as error:
        place = error.filename or root
        raise RecordUnavailable(
            f"record folder, {place}: expected to read and write there, got {error.strerror}; "
            "mend the disk, the mount or the permissions"
        ) from error


class OrderFile(Contract):
    """An order drop file."""

    kind: Literal["order_placed", "order_cancelled"]
    schema_version: Annotated[int, Field(ge=1)] = 1
    site: Name
    occurred_at: UtcTime
    payload: dict[str, Any]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "kind": OrderPlaced.KIND,
            "site": "north",
            "occurred_at": "2026-03-02T08:00:00Z",
            "payload": OrderPlaced.EXAMPLES[0],
        },
        {
            "kind": OrderCancelled.KIND,
            "site": "north",
            "occurred_at": "2026-03-02T08:30:00Z",
            "payload": OrderCancelled.EXAMPLES[0],
        },
    )


class AnswerFile(Contract):
    """An answer file."""

    outcome: Literal[PostingOutcome.ACCEPTED, PostingOutcome.REJECTED]
    reference: Text | None = None
    words: Text | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"outcome": "rejected", "words": "Account closed (invented)"},
    )


class OrderDrop:
    """The folder ``orders`` as a source of orders."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._folder = root / "orders"

    def read(self) -> Iterator[OrderOffer | Unreadable]:
        if not self._folder.is_dir():
            return
        for path in sorted(self._folder.glob("*.json")):
            if path.is_symlink() or not path.is_file():
                continue
            body = _read_bounded(path)
            try:
                yield self._offer(path, body)
            except InvalidInput as error:
                if not _may_still_be_written(path):
                    yield Unreadable(token=self._token(path), body=body, error=error)

    def settle(self, item: OrderOffer | LateAnswer | Unreadable) -> None:
        path = self._folder / Path(item.token).name
        where = "rejected" if isinstance(item, Unreadable) else "taken"
        if path.is_file():
            move_durably(path, self._folder / where)

    def _token(self, path: Path) -> str:
        return f"orders/{path.name}"

    def _offer(self, path: Path, body: bytes) -> OrderOffer:
        if len(body) > MAX_MESSAGE_BYTES:
            raise InvalidInput("order file", f"more than {MAX_MESSAGE_BYTES} bytes", "1 MB at most")
        try:
            order = OrderFile.model_validate_json(body)
        except ValidationError as error:
            raise invalid_input(error, "order file") from error
        return OrderOffer(
            token=self._token(path),
            site=order.site,
            occurred_at=order.occurred_at,
            source_clock=None,
            payload=read_payload(order.kind, order.schema_version, order.payload),
        )


class AnswerDrop:
    """The answers beside our files.

    Only folders that changed are read again: a large record is not listed at every poll.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._seen_ns: dict[str, int] = {}

    def read(self) -> Iterator[LateAnswer | Unreadable]:
        for kind in ("charges", "notes"):
            for folder in _study_folders(self._root / kind):
                changed_ns = Path(folder).stat().st_mtime_ns
                if self._seen_ns.get(folder) == changed_ns:
                    continue
                found = list(self._read_folder(Path(folder)))
                yield from found
                # A change in the same tick of the clock would leave the time as it was.
                if not found and time.time_ns() - changed_ns > _MTIME_STEP_NS:
                    self._seen_ns[folder] = changed_ns

    def _read_folder(self, folder: Path) -> Iterator[LateAnswer | Unreadable]:
        for path in sorted(folder.glob(f"*{_ANSWER}")):
            posted = path.with_name(path.name.removesuffix(_ANSWER))
            token = path.relative_to(self._root).as_posix()
            if path.is_symlink() or not path.is_file() or not posted.is_file():
                continue
            body = _read_bounded(path)
            try:
                answer = AnswerFile.model_validate_json(body)
            except ValidationError as error:
                if not _may_still_be_written(path):
                    wrong = invalid_input(error, "answer file")
                    yield Unreadable(token=token, body=body, error=wrong)
                continue
            try:
                posting_key = read_entry(posted, self._root).posting_key
            except RecordRefused as error:
                damaged = InvalidInput("answered file", posted.name, str(error))
                yield Unreadable(token=token, body=body, error=damaged)
                continue
            yield LateAnswer(
                token=token,
                posting_key=posting_key,
                outcome=answer.outcome,
                reference=answer.reference,
                words=answer.words,
            )

    def settle(self, item: OrderOffer | LateAnswer | Unreadable) -> None:
        path = self._root / item.token
        suffix = ".rejected" if isinstance(item, Unreadable) else ".taken"
        if path.is_file():
            path.rename(path.with_name(path.name + suffix))
            sync_folder(path.parent)


def read_answer(posted: Path) -> AnswerFile | None:
    """Give the answer beside one of our files, the newest first; None where there is none.

    Raises ValidationError where it cannot be read.
    """
    for suffix in (_ANSWER, f"{_ANSWER}.taken"):
        with suppress(FileNotFoundError):
            return AnswerFile.model_validate_json(
                (posted.parent / f"{posted.name}{suffix}").read_bytes()
            )
    return None


def rejection_of(posted: Path) -> str | None:
    """Give the words by which the record side rejected an entry, if it did."""
    try:
        answer = read_answer(posted)
    except ValidationError:
        return None  # `read_answers` brings an answer that cannot be read to a person
    if answer is None or answer.outcome is PostingOutcome.ACCEPTED:
        return None
    return answer.words or "(the record gave no reason)"


def _study_folders(kind: Path) -> Iterator[str]:
    if not kind.is_dir():
        return
    for site in sorted(os.scandir(kind), key=lambda entry: entry.name):
        if site.is_dir(follow_symlinks=False):
            for study in os.scandir(site.path):
                if study.is_dir(follow_symlinks=False):
                    yield study.path


def _read_bounded(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(MAX_MESSAGE_BYTES + 1)


def _may_still_be_written(path: Path) -> bool:
    return time.time() - path.stat().st_mtime < _STILL_WRITTEN_S
