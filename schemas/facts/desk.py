"""What people decide at the notes desk and the charge desk, and what the record answers."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Name, Text, Uid, UtcTime
from schemas.envelope import Payload

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
PostingKey = Annotated[str, Field(min_length=1, max_length=160)]


class ChargesReleased(Payload):
    """A person lets the charges of a study go out before it is closed.

    Told after the record has rejected some, it sends those out again, under the same keys.
    """

    KIND: ClassVar[str] = "charges_released"

    study_instance_uid: Uid

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"study_instance_uid": "2.25.1001"},)

    def natural_key(self, occurred_at: datetime) -> str:
        return f"released:{self.study_instance_uid}:{occurred_at.isoformat()}"


class NoteAmended(Payload):
    """A vet fills a prompt of the note or corrects its text. The software diagnoses nothing."""

    KIND: ClassVar[str] = "note_amended"

    study_instance_uid: Uid
    section: Name
    text: Annotated[str, Field(max_length=10_000)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "study_instance_uid": "2.25.1001",
            "section": "findings-mandible-left",
            "text": "Invented finding, for the example only.",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"amended:{self.study_instance_uid}:{self.section}:{occurred_at.isoformat()}"


class NoteSigned(Payload):
    """A named person signs the note whose content has this hash, and no other content.

    A vet's signature makes the note final. A trainee's does not: a vet signs after it.
    ``reauthenticated_at`` is when the signer proved anew who they are, by intake's own clock; no
    sender may tell it. Version 1 had none: such a signature counts no more, and is given again.
    """

    KIND: ClassVar[str] = "note_signed"
    VERSION: ClassVar[int] = 2
    SET_BY_INTAKE: ClassVar[frozenset[str]] = frozenset({"reauthenticated_at"})

    study_instance_uid: Uid
    note_sha256: Sha256
    signer: Name
    reauthenticated_at: UtcTime | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"study_instance_uid": "2.25.1001", "note_sha256": "0" * 64, "signer": "vet-1"},
    )

    def natural_key(self, occurred_at: datetime) -> str:
        # A signature that came too late counts for nothing: where the note says the same again,
        # it is given again.
        moment = occurred_at.isoformat()
        return f"signed:{self.study_instance_uid}:{self.note_sha256}:{self.signer}:{moment}"


class NoteAddended(Payload):
    """A vet adds to a signed note; the signed text stays as it was.

    It is a signature too: ``reauthenticated_at`` as in ``NoteSigned``.
    """

    KIND: ClassVar[str] = "note_addended"
    VERSION: ClassVar[int] = 2
    SET_BY_INTAKE: ClassVar[frozenset[str]] = frozenset({"reauthenticated_at"})

    study_instance_uid: Uid
    text: Annotated[str, Field(min_length=1, max_length=10_000)]
    signer: Name
    reauthenticated_at: UtcTime | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "study_instance_uid": "2.25.1001",
            "text": "A further view was received after signing (invented).",
            "signer": "vet-1",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"addended:{self.study_instance_uid}:{occurred_at.isoformat()}"


class NoteReleased(Payload):
    """A person lets a note that the record has refused go out again, once its cause is mended.

    The newest revision is posted again under the key that it had: a record that holds it all the
    same knows it again. Nothing in the note changes.
    """

    KIND: ClassVar[str] = "note_released"

    study_instance_uid: Uid

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"study_instance_uid": "2.25.1001"},)

    def natural_key(self, occurred_at: datetime) -> str:
        return f"note-released:{self.study_instance_uid}:{occurred_at.isoformat()}"


class PostingOutcome(StrEnum):
    """``WITHDRAWN``: a charge that the record rejected and its credit; it holds neither."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"
    WITHDRAWN = "withdrawn"


class PostingAnswered(Payload):
    """The patient record answered a posting of ours, in its own words; the newest counts.

    ``posting_day`` is there where the accounting period of the service day was closed.
    """

    KIND: ClassVar[str] = "posting_answered"

    posting_key: PostingKey
    study_instance_uid: Uid
    outcome: PostingOutcome
    record_reference: Text | None = None
    words: Text | None = None
    posting_day: date | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "posting_key": "charge:2.25.1001:1",
            "study_instance_uid": "2.25.1001",
            "outcome": "accepted",
            "record_reference": "charges/2.25.1001.1.json",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        # A posting may be rejected, sent again and accepted: the same outcome may come twice.
        return f"answered:{self.posting_key}:{self.outcome}:{occurred_at.isoformat()}"
