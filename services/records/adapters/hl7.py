"""A patient record that speaks HL7 v2.5.1 over MLLP.

Charges and credits are ``DFT^P03``, a note's text ``ORU^R01``, a signed note ``MDM^T02`` too.

HL7 v2 has no question for the charges that a record holds. What needs reading back is refused in
plain words, and nothing is reconciled. A posting whose answer was lost is sent again as the same
message: the same MSH-10, and the same FT1-2 in it. So **the record must know a control id or a
transaction id again**, and answer as it did at first; one that does not will charge twice. Ask
for this before go-live, and try it with a message sent twice. For a record that knows neither
there is the option ``resend: ask``: a charge whose answer was lost then goes to a person.
"""

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import ClassVar

from schemas.conclusions import EntryType
from services.records.adapters.hl7_answer import Acknowledgement
from services.records.adapters.hl7_link import MllpLink
from services.records.adapters.hl7_messages import (
    Outgoing,
    charge_message,
    document_message,
    header,
    note_number,
    report_message,
    transaction_id,
)
from services.records.adapters.hl7_options import read_options
from services.records.adapters.hl7_text import CODECS, segment, short_id
from services.records.adapters.hl7_turns import Sent, SentOnce, Turns
from services.records.codes_file import CodesFile
from services.records.port import (
    Accepted,
    Answer,
    ChargeAnswer,
    ChargePosting,
    HeldLine,
    NotePosting,
    NoteStatus,
    PatientRecord,
    RecordError,
    RecordRefused,
    Rejected,
    Verdict,
)


class Hl7Adapter(PatientRecord):
    """Posts to one MLLP listener, one message at a time. ``options``: see ``Hl7Options``."""

    NAME: ClassVar[str] = "hl7"

    def __init__(self, options: dict[str, str]) -> None:
        self._options = read_options(options)
        self._link = MllpLink(self._options, self._commit_answer)
        self._turns = Turns(self._options.data_dir)
        self._sent = SentOnce(self._options.data_dir)

    @property
    def answers_within_s(self) -> float:
        """The same message goes out again under its own ID, or a person is asked."""
        return 0.0

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        code = self._options.codes.charge(posting.entry.code)
        if code is None:
            return Rejected(
                f"code: the record has no code for {posting.entry.code}; add it to the codes file"
            )
        message = charge_message(posting, code, self._options)
        send = self._send_once if self._options.asks_before_resend else self._send
        return send(message) or Accepted(transaction_id(posting.key))

    def reverse_charge(self, posting: ChargePosting) -> ChargeAnswer:
        """Send the credit; whether the charge is held there is for the record to say."""
        entry = posting.entry
        if entry.type is not EntryType.CREDIT or entry.reverses is None:
            return Rejected(f"{posting.key} is no credit that names the charge it reverses")
        return self.post_charge(posting)

    def find_charge(self, posting: ChargePosting) -> HeldLine | None:
        """Find nothing, so that the same message is sent again: see the module's words."""
        del posting
        return None

    def read_charges(
        self, *, study_instance_uid: str | None = None, patient_id: str | None = None
    ) -> Sequence[HeldLine]:
        del study_instance_uid, patient_id
        raise RecordRefused(
            f"{self.NAME}: expected a record whose charges can be read back, and HL7 v2 has no "
            "question for them; look in the record itself"
        )

    def post_note(self, posting: NotePosting) -> Answer:
        refused = self._send(report_message(posting, self._options))
        signed = posting.status is not NoteStatus.PRELIMINARY
        if refused is None and signed and self._options.documents:
            refused = self._send(document_message(posting, self._options))
        return refused or Accepted(note_number(posting))

    def check(self) -> Verdict:
        where = f"HL7 v2 record at {self._options.host}:{self._options.port}"
        try:
            self._link.look()
        except RecordError as error:
            return Verdict(False, str(error))
        return Verdict(
            True,
            f"{where}: takes connections{' by TLS' if self._options.tls else ''}; charges cannot "
            "be read back, and it must know a message again that comes twice",
        )

    def unmapped(
        self, charges: Iterable[str], signers: Iterable[str], sites: Iterable[str]
    ) -> Iterable[str]:
        return list(self._options.codes.unmapped(charges, signers, sites))

    def codes_file(self) -> CodesFile:
        return self._options.codes_file

    def close(self) -> None:
        self._link.close()

    def _send_once(self, message: Outgoing) -> Rejected | None:
        """Send a message that may have left before only when a person has released it again."""
        turn = self._turns.of(message.control_id())
        own_id = message.control_id(turn)
        sent = self._sent.of(own_id)
        if sent is Sent.TAKEN:
            return None
        if sent is Sent.SENT:
            self._turns.refused(message.control_id(), turn)
            return Rejected(
                f"{message.kind[:7]}: it was sent and no answer came; HL7 v2 cannot ask whether "
                "the record holds it; look there, and release it again only if it does not"
            )
        return self._send(message, lambda: self._sent.keep(own_id, Sent.SENT))

    def _send(
        self, message: Outgoing, before_sending: Callable[[], None] | None = None
    ) -> Rejected | None:
        """Send a message; None where the record has taken it."""
        turn = self._turns.of(message.control_id())
        own_id = message.control_id(turn)
        try:
            body = message.written(self._options, datetime.now(UTC), turn)
        except UnicodeEncodeError as error:
            return Rejected(
                f"{message.kind[:7]}: the character set {self._options.character_set} lacks "
                f"{error.object[error.start : error.end][:20]!r}; nothing was sent"
            )
        if before_sending is None:
            told = self._link.ask(body, own_id)
        else:
            told = self._link.ask(body, own_id, before_sending)
            if told.code[1] == "A":
                self._sent.keep(own_id, Sent.TAKEN)
            else:
                self._sent.not_taken(own_id)
        refused = told.refusal()
        if refused is None:
            return None
        self._turns.refused(message.control_id(), turn)
        return Rejected(f"{message.kind[:7]}: {refused.words}")

    def _commit_answer(self, told: Acknowledgement) -> bytes:
        """Write the commit answer to an application answer that asks for one."""
        now = datetime.now(UTC)
        own_id = short_id(f"commit:{told.own_control_id}:{now.isoformat()}", 20)
        msh = header(self._options, "ACK", "", own_id, now, ask=False)
        msa = segment("MSA", {1: "CA", 2: told.own_control_id})
        codec = CODECS[self._options.character_set]
        return (f"{msh}\r{msa}\r").encode(codec, "replace")
