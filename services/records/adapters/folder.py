"""The default patient record: a folder that any record can be fed from. The layout is our own.

::

    <path>/charges/<site>/<study>/<key>.json          one ledger entry: a charge or a credit
    <path>/notes/<site>/<study>/<revision>.json       one revision of a note: its manifest
    <path>/notes/<site>/<study>/<revision>.html .txt  the same note to read
    <path>/charges|notes/.../<file>.json.answer.json  left by the record side (optional)
    <path>/orders/*.json                              left by the record side (optional)
    <path>/held/<site>/*.json                         lines entered by hand there (optional)
    <path>/orders/taken/  orders/rejected/            where we put orders that we have read
    <path>/periods.json                               left by the record side (optional)

Identifiers become file names by ``file_names.file_name`` (``:`` is ``%3A``). A ``.json`` file is
there only when it and what belongs to it are whole and on disk, and it never changes::

    {"layout": "gomphosis-folder-1", "position": 1, "sha256": "...", "content": {...}}

``position`` counts the entries of a study in order of posting. ``sha256`` is over ``content`` as
JSON with sorted keys, no spaces, UTF-8. A note's content names its two files with their own
sha256. With the option ``codes`` the record's codes stand beside ``content``, by our tables, as
they were when the file was written: ``"coded": {"teeth": {"108": {"code": "..."}}}``. Whoever
writes into the folder should write beside and rename, as we do.

``periods.json`` is ``{"closed_through": "2026-02-28"}``: entries of that day and before are put
under the day after. Answers and orders: see ``folder_drops``; lines by hand: ``folder_lines``.
"""

import json
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any, ClassVar

from schemas.conclusions import EntryType
from schemas.facts import RecordLine
from services.records.adapters.codes_option import coded_of, open_codes
from services.records.adapters.durable_files import (
    make_folder,
    only_writer,
    write_durably,
)
from services.records.adapters.file_names import file_name
from services.records.adapters.folder_drops import AnswerDrop, OrderDrop, rejection_of, translated
from services.records.adapters.folder_entry import LAYOUT, digest_of, read_entry
from services.records.adapters.folder_lines import HELD, read_folder_lines, settle_hand_line
from services.records.adapters.folder_periods import read_closed_through
from services.records.codes_file import CodesFile
from services.records.held import why_not_against
from services.records.port import (
    DATA_DIR_OPTION,
    Accepted,
    Answer,
    ChargeAnswer,
    ChargePosting,
    CorrectionPosting,
    HeldLine,
    LateAnswer,
    NotePosting,
    OrderOffer,
    PatientRecord,
    PeriodClosed,
    RecordOptionError,
    RecordUnavailable,
    Rejected,
    Unreadable,
    Verdict,
)
from services.runtime.folders import sync_folder

_OPTIONS = {"path", "codes", DATA_DIR_OPTION}


class FolderAdapter(PatientRecord):
    """Keeps charges and notes as files, and reads orders and answers from files.

    ``options``: ``path``, the folder (default: ``record`` in the data folder); ``codes``, a YAML
    file of the record's codes (``PostedCodes``), which then stand as ``coded`` beside ``content``.
    """

    NAME: ClassVar[str] = "folder"

    def __init__(self, options: dict[str, str]) -> None:
        for option, value in options.items():
            if option not in _OPTIONS:
                raise RecordOptionError(
                    option, value, "no such option; the folder knows: path, codes"
                )
        path = options.get("path") or str(Path(options.get(DATA_DIR_OPTION, ".")) / "record")
        self.path = Path(path).absolute()
        if self.path.exists() and not self.path.is_dir():
            raise RecordOptionError("path", path, "a folder")
        self._codes = open_codes(options.get("codes", ""))
        self._orders = OrderDrop(self.path)
        self._answers = AnswerDrop(self.path)

    @property
    def answers_within_s(self) -> float:
        """A key is one file, and a writer's lock ends with its process."""
        return 0.0

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        with translated(self.path), only_writer(self.path):
            return self._closed(posting) or self._keep_charge(posting)

    def reverse_charge(self, posting: ChargePosting) -> ChargeAnswer:
        with translated(self.path), only_writer(self.path):
            if not self._charge_path(posting, posting.key).exists():
                reason = self._why_not_reversed(posting)
                if reason:
                    return Rejected(reason)
            return self._closed(posting) or self._keep_charge(posting)

    def find_charge(self, posting: ChargePosting) -> HeldLine | None:
        path = self._charge_path(posting, posting.key)
        with translated(self.path):
            if not path.exists() or rejection_of(path):
                return None
            # A writer that was killed may have renamed it and not synced the folder.
            sync_folder(path.parent)
            return read_entry(path, self.path).held_line()

    def read_charges(
        self, *, study_instance_uid: str | None = None, patient_id: str | None = None
    ) -> Sequence[HeldLine]:
        study = "*" if study_instance_uid is None else file_name(study_instance_uid)
        with translated(self.path):
            entries = [
                read_entry(path, self.path)
                for path in self.path.glob(f"charges/*/{study}/*.json")
                if not path.name.endswith(".answer.json") and not rejection_of(path)
            ]
        ordered = sorted(entries, key=lambda one: (one.path.parent, one.position))
        lines = [entry.held_line() for entry in ordered]
        return [line for line in lines if patient_id in {None, line.patient_id}]

    def correct_charge(self, posting: CorrectionPosting) -> Answer:
        entry = posting.entry
        content = {
            "site": posting.site,
            "patient_id": entry.patient_id,
            "study_instance_uid": entry.study_instance_uid,
            "account": None,
            "accession_number": None,
            "currency": posting.currency,
            "corrects": entry.corrects,
            "entry": {
                "posting_key": entry.posting_key,
                "type": entry.type.value,
                "patient_id": entry.patient_id,
                "code": entry.code,
                "description": entry.reason,
                "quantity": 1,
                "amount": str(entry.amount),
                "service_day": entry.service_day.isoformat(),
                "reason": entry.reason,
            },
        }
        folder = self._folder("charges", posting.site, entry.study_instance_uid)
        with translated(self.path), only_writer(self.path):
            return self._keep(folder / f"{file_name(entry.posting_key)}.json", content)

    def read_lines(self, site: str, first: date, last: date) -> Iterable[RecordLine | Unreadable]:
        with translated(self.path):
            return list(read_folder_lines(self.path, site, first, last))

    def post_note(self, posting: NotePosting) -> Answer:
        note = posting.note
        files = {".html": note.html.encode(), ".txt": note.text.encode()}
        # Without what it shows where it tells none: a note posted before that must stay the same.
        left_out = {"html", "text", "due", *(() if note.shows else ("shows",))}
        content: dict[str, Any] = {
            "posting_key": posting.key,
            "site": posting.site,
            "status": posting.status.value,
            "note": note.model_dump(mode="json", exclude=left_out),
            "files": {
                f"{note.revision}{suffix}": sha256(body).hexdigest()
                for suffix, body in files.items()
            },
        }
        folder = self._folder("notes", posting.site, note.study_instance_uid)
        path = folder / f"{note.revision}.json"
        with translated(self.path), only_writer(self.path):
            if not path.exists():
                make_folder(folder)
                for suffix, body in files.items():
                    write_durably(folder / f"{note.revision}{suffix}", body)
            return self._keep(path, content, coded_of(posting, self._codes))

    def codes_file(self) -> CodesFile:
        return self._codes

    def check(self) -> Verdict:
        probe = self.path / ".check"
        try:
            with translated(self.path), only_writer(self.path):
                write_durably(probe, b"")
                probe.unlink()
        except RecordUnavailable as error:
            return Verdict(False, str(error))
        return Verdict(True, f"record folder {self.path}: can be written")

    def read_orders(self) -> Iterable[OrderOffer | Unreadable]:
        with translated(self.path):
            return list(self._orders.read())

    def read_answers(self) -> Iterable[LateAnswer | Unreadable]:
        with translated(self.path):
            return list(self._answers.read())

    def settle(self, item: OrderOffer | LateAnswer | Unreadable) -> None:
        with translated(self.path):
            if item.token.startswith("orders/"):
                self._orders.settle(item)
            elif item.token.startswith(f"{HELD}/") and isinstance(item, Unreadable):
                settle_hand_line(self.path, item)
            else:
                self._answers.settle(item)

    def _folder(self, kind: str, site: str, study_instance_uid: str) -> Path:
        return self.path / kind / file_name(site) / file_name(study_instance_uid)

    def _charge_path(self, posting: ChargePosting, key: str) -> Path:
        folder = self._folder("charges", posting.site, posting.study_instance_uid)
        return folder / f"{file_name(key)}.json"

    def _closed(self, posting: ChargePosting) -> PeriodClosed | None:
        """Tell whether the books are closed for the posting's day; what is held stays held."""
        if self._charge_path(posting, posting.key).exists():
            return None
        closed_through = read_closed_through(self.path)
        if closed_through is None or posting.posting_day > closed_through:
            return None
        return PeriodClosed(
            closed_through + timedelta(days=1), f"the books are closed through {closed_through}"
        )

    def _keep_charge(self, posting: ChargePosting) -> Answer:
        content = {
            "site": posting.site,
            "patient_id": posting.patient_id,
            "study_instance_uid": posting.study_instance_uid,
            "account": posting.account,
            "accession_number": posting.accession_number,
            "currency": posting.currency,
            "posting_day": posting.posting_day.isoformat(),
            "entry": posting.entry.model_dump(mode="json"),
        }
        path = self._charge_path(posting, posting.key)
        return self._keep(path, content, coded_of(posting, self._codes))

    def _keep(
        self, path: Path, content: dict[str, Any], coded: dict[str, Any] | None = None
    ) -> Answer:
        """Keep an entry that nobody may change, or find that it is kept already."""
        reference = path.relative_to(self.path).as_posix()
        digest = digest_of(content)
        if path.exists():
            # A writer that was killed may have renamed it and not synced the folder.
            sync_folder(path.parent)
            if digest_of(read_entry(path, self.path).content) != digest:
                return Rejected(
                    f"{reference} is held with other content under the same key; "
                    "nothing was changed, a person has to compare the two"
                )
        else:
            make_folder(path.parent)
            entry = {
                "layout": LAYOUT,
                "position": self._next_position(path.parent),
                "sha256": digest,
                "content": content,
                **({"coded": coded} if coded else {}),
            }
            write_durably(path, json.dumps(entry, ensure_ascii=False, indent=1).encode())
        rejection = rejection_of(path)
        return Rejected(rejection) if rejection else Accepted(reference)

    def _next_position(self, folder: Path) -> int:
        names = [path.name for path in folder.glob("*.json")]
        return 1 + sum(not name.endswith(".answer.json") for name in names)

    def _why_not_reversed(self, posting: ChargePosting) -> str | None:
        """Tell why a credit may not stand in the record, if so."""
        entry = posting.entry
        if entry.type is not EntryType.CREDIT or entry.reverses is None:
            return f"{posting.key} is no credit that names the charge it reverses"
        path = self._charge_path(posting, entry.reverses)
        if not path.exists():
            return f"there is no charge {entry.reverses} for this study to reverse"
        if rejection_of(path):
            return (
                f"charge {entry.reverses} was rejected by the record; there is nothing to reverse"
            )
        reversing = self._held_reversal(posting)
        if reversing:
            return f"charge {entry.reverses} is reversed already, by {reversing}"
        return why_not_against(read_entry(path, self.path).held_line(), posting)

    def _held_reversal(self, posting: ChargePosting) -> str | None:
        lines = self.read_charges(study_instance_uid=posting.study_instance_uid)
        reverses = posting.entry.reverses
        return next((line.posting_key for line in lines if line.reverses == reverses), None)
