"""The port to a patient record: what we ask of any record, whatever it speaks.

An adapter may be called again with what it has done already, after a crash or a lost answer: it
tells by the posting's key and answers as it did before. An outage is ``RecordUnavailable`` and
only delays; a refusal of one posting is ``Rejected`` in the record's own words, for a person.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import ClassVar

from schemas.conclusions import (
    CorrectionEntry,
    EntryType,
    LedgerEntry,
    NoteState,
    NoteWritten,
)
from schemas.envelope import Payload
from schemas.errors import GomphosisError, InvalidInput
from schemas.facts import PostingOutcome, RecordLine
from schemas.teeth import Species
from services.records.codes_file import CodesFile

DATA_DIR_OPTION = "data_dir"
"""The option that every adapter gets beside its own: the service's data folder."""


class RecordError(GomphosisError):
    """Root of the errors of a patient record."""


class RecordUnavailable(RecordError):  # noqa: N818 - a state, not a fault of the caller
    """The record cannot be reached or cannot write now. The posting waits and is tried again.

    ``retry_after_s`` is how long the record asks us to wait, if it does.
    """

    def __init__(self, reason: str, retry_after_s: float | None = None) -> None:
        super().__init__(reason)
        self.retry_after_s = retry_after_s


class RecordRefused(RecordError):  # noqa: N818
    """The record does not work with us as it is set up or as it stands: a person must act.

    Examples are wrong credentials or a damaged entry. Postings wait meanwhile; none is lost.
    """


class RecordBarred(RecordRefused):
    """Nothing at all can pass until a person acts: TLS or credentials, on either side.

    ``fault`` names it and stays the same while it lasts. It is told once as a task; the postings
    wait, and go out by themselves once it is mended.
    """

    def __init__(self, fault: str, words: str, next_action: str) -> None:
        super().__init__(f"{words}; {next_action}")
        self.fault, self.words, self.next_action = fault, words, next_action


class RecordOptionError(RecordError):
    """An option of an adapter is wrong; names it and says what was expected."""

    def __init__(self, option: str, value: str, expected: str) -> None:
        self.option = option
        self.value = value
        self.expected = expected
        super().__init__(f"records.options.{option}: expected {expected}, got {value!r}")


class NoteStatus(StrEnum):
    """How far a note is, in the words that records use for reports (FHIR DiagnosticReport)."""

    PRELIMINARY = "preliminary"
    FINAL = "final"
    APPENDED = "appended"


STATUS_OF_NOTE: dict[NoteState, NoteStatus] = {
    NoteState.DRAFT: NoteStatus.PRELIMINARY,
    NoteState.AMENDED: NoteStatus.PRELIMINARY,
    NoteState.SIGNED: NoteStatus.FINAL,
    NoteState.ADDENDED: NoteStatus.APPENDED,
}
"""A posted note needs no posting: it is in the record already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargePosting:
    """One ledger entry on its way to the record, for one patient and study.

    ``posting_day`` is the day to put it under: the service day, or a later one where the
    accounting period of that was closed. ``views`` and ``teeth`` are what its images show, by our
    own codes; there are none where nobody knows, or where it was told before they were.
    """

    site: str
    patient_id: str
    study_instance_uid: str
    account: str | None = None
    accession_number: str | None = None
    currency: str
    entry: LedgerEntry
    moved_to: date | None = None
    species: Species | None = None
    plan: str | None = None
    views: tuple[str, ...] = ()
    teeth: tuple[int, ...] = ()

    @property
    def key(self) -> str:
        return self.entry.posting_key

    @property
    def posting_day(self) -> date:
        return self.moved_to or self.entry.service_day


@dataclass(frozen=True, slots=True, kw_only=True)
class NotePosting:
    """A study's note at a revision, on its way to the record."""

    site: str
    note: NoteWritten

    @property
    def key(self) -> str:
        return note_key(self.note)

    @property
    def status(self) -> NoteStatus:
        return STATUS_OF_NOTE[self.note.state]


def note_key(note: NoteWritten) -> str:
    """Give the posting key of a note: one posting for each revision."""
    return f"note:{note.study_instance_uid}:{note.revision}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionPosting:
    """A line that puts another right, on its way to the record; a person decided it."""

    site: str
    currency: str
    entry: CorrectionEntry

    @property
    def key(self) -> str:
        return self.entry.posting_key


@dataclass(frozen=True, slots=True)
class Accepted:
    """The record holds the posting, and this is how it names it.

    ``posting_day``: where a record found it held already, the day that it is held under.
    """

    reference: str
    posting_day: date | None = None


@dataclass(frozen=True, slots=True)
class Rejected:
    """The record will not take the posting, and says why."""

    words: str


@dataclass(frozen=True, slots=True)
class PeriodClosed:
    """The record's books are closed for the posting's day; ``next_open_day`` is later."""

    next_open_day: date
    words: str


Answer = Accepted | Rejected
ChargeAnswer = Accepted | Rejected | PeriodClosed


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldLine:
    """A charge or credit as the record holds it now.

    ``changed_by_hand`` is true where the record can tell that it is not what we posted.
    ``posting_day`` is the day whose period it is in, where the record tells that.
    """

    posting_key: str
    type: EntryType
    reverses: str | None
    site: str
    patient_id: str
    study_instance_uid: str
    code: str
    quantity: int
    amount: Decimal
    currency: str
    service_day: date
    reference: str
    posting_day: date | None = None
    changed_by_hand: bool = False

    @property
    def signed_amount(self) -> Decimal:
        """The amount as an invoice's line tells it: a credit is negative."""
        return self.amount if self.type is EntryType.CHARGE else -self.amount


@dataclass(frozen=True, slots=True, kw_only=True)
class LateAnswer:
    """What the record said about a posting after it had answered at first."""

    token: str
    posting_key: str
    outcome: PostingOutcome
    reference: str | None = None
    words: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderOffer:
    """An order or a cancellation that the record tells."""

    token: str
    site: str
    occurred_at: datetime
    source_clock: str | None
    payload: Payload


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """Something that the record tells and that breaks its contract."""

    token: str
    body: bytes
    error: InvalidInput
    kind: str | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the peer can be worked with, in plain words."""

    ok: bool
    words: str


class PatientRecord(ABC):
    """A patient record. Every verb is safe to repeat, and may be called from any thread.

    Every verb raises RecordUnavailable where it is worth another try, and RecordRefused where a
    person must act first.
    """

    NAME: ClassVar[str]
    """The adapter's short name, as facts of this source carry it."""

    @property
    def answers_within_s(self) -> float:
        """How long a request may be under way still, in seconds, once its sender is gone.

        For so long a poster that takes over asks for nothing that may have been sent, since a
        record that finds no line yet would be given a second one. 0 where the record itself
        takes a key only once; else the longest time that it works on a request. The default is
        invented.
        """
        return 20.0

    @abstractmethod
    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        """Put a charge into the record, under its posting day, with its service day.

        The same key with other content is rejected.
        """

    def post_charges(self, postings: Sequence[ChargePosting]) -> Mapping[str, ChargeAnswer]:
        """Put charges of different patients into the record in one exchange, where it can.

        Gives answers by posting key. What has none, while others have one, is asked for and then
        posted alone. A record without bulk gives nothing, and each is posted alone at once.
        """
        del postings
        return {}

    @abstractmethod
    def reverse_charge(self, posting: ChargePosting) -> ChargeAnswer:
        """Put a credit beside the charge that it reverses; the charge stays.

        Rejected where the record holds no such charge for this patient and study.
        """

    def find_charge(self, posting: ChargePosting) -> HeldLine | None:
        """Give the line that the record holds under the posting's key, or None.

        Asked before a posting is repeated that may have reached the record. An adapter whose
        record can look up a key should.
        """
        lines = self.read_charges(study_instance_uid=posting.study_instance_uid)
        return next((line for line in lines if line.posting_key == posting.key), None)

    @abstractmethod
    def read_charges(
        self, *, study_instance_uid: str | None = None, patient_id: str | None = None
    ) -> Sequence[HeldLine]:
        """Give the lines held for a study, a patient, or both; a study's in order of posting."""

    def correct_charge(self, posting: CorrectionPosting) -> Answer:
        """Put a credit or charge beside the line that it corrects, by the record's own line id.

        Nothing is edited. The same key with other content is rejected.
        """
        return Rejected(
            f"{self.NAME} takes no corrections of single lines; put {posting.entry.corrects} right "
            "in the record by hand"
        )

    def read_lines(self, site: str, first: date, last: date) -> Iterable[RecordLine | Unreadable]:
        """Give every line that the record holds for some days at a site, whoever entered it.

        One line keeps its id as long as it is there. An ``Unreadable`` is given again until it
        is settled.
        """
        del site, first, last
        raise RecordRefused(
            f"{self.NAME}: expected a record that can be read back by day, and this one cannot; "
            "without it nothing is reconciled"
        )

    @abstractmethod
    def post_note(self, posting: NotePosting) -> Answer:
        """Put a revision of a note into the record, with its status. Older revisions stay."""

    @abstractmethod
    def check(self) -> Verdict:
        """Reach the peer and say in plain words whether we can work with it. Never raises."""

    def unmapped(
        self, charges: Iterable[str], signers: Iterable[str], sites: Iterable[str]
    ) -> Iterable[str]:
        """Name what of ours the record has no code for, as ``field.name``; asked before go-live.

        ``charges`` are codes of tariffs, ``signers`` and ``sites`` names of the group's.
        """
        del charges, signers, sites
        return ()

    def codes_file(self) -> CodesFile | None:
        """Give the group's file of the record's codes; None where the record needs none.

        Where there is one, nothing is posted that it lacks a code for: the posting waits, a
        person is told, and it goes out once the file has the code.
        """
        return None

    def read_orders(self) -> Iterable[OrderOffer | Unreadable]:
        """Give orders told since the last ``settle``; the same again until they are settled."""
        return ()

    def read_answers(self) -> Iterable[LateAnswer | Unreadable]:
        """Give late answers to postings; the same again until they are settled."""
        return ()

    def settle(self, item: OrderOffer | LateAnswer | Unreadable) -> None:
        """Tell that an item is durable with us, so that it need not be given again."""
        del item

    def close(self) -> None:
        """Let go of connections. Safe to repeat."""
        return
