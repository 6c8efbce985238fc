"""The imaging note: drafted by us, corrected and signed by a vet."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, Text, Uid, UtcTime
from schemas.envelope import Payload
from schemas.facts.desk import Sha256
from schemas.facts.image import ShortText


class NoteState(StrEnum):
    """The states of a note. Nothing leads from ``SIGNED`` back to a draft."""

    DRAFT = "draft"
    AMENDED = "amended"
    SIGNED = "signed"
    POSTED = "posted"
    ADDENDED = "addended"


class NoteSection(Contract):
    """One part of the note. ``for_vet`` marks a prompt that only a vet may fill."""

    section: Name
    title: Text
    text: Annotated[str, Field(max_length=20_000)]
    for_vet: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"section": "views", "title": "Views", "text": "1 of 14 planned views obtained."},
    )


class Addendum(Contract):
    """A text added to a signed note, by whom and when."""

    text: Annotated[str, Field(min_length=1, max_length=10_000)]
    signer: Name
    signed_at: UtcTime

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"text": "Invented addendum.", "signer": "vet-1", "signed_at": "2026-03-03T08:00:00Z"},
    )


class NoteWritten(Payload):
    """A study's note as it stands, at a revision; the newest counts.

    ``content_sha256`` is over the sections alone: what a signature is bound to. Once signed,
    the sections never change; a later fact leads to ``addendum_proposal``.
    """

    KIND: ClassVar[str] = "note_written"

    revision: Annotated[int, Field(ge=1)]
    assessment_revision: Annotated[int, Field(ge=1)]
    study_instance_uid: Uid
    patient_id: ShortText
    accession_number: ShortText | None = None
    state: NoteState
    due: bool
    sections: tuple[NoteSection, ...]
    content_sha256: Sha256
    signer: Name | None = None
    signed_at: UtcTime | None = None
    addenda: tuple[Addendum, ...] = ()
    addendum_proposal: Text | None = None
    text: Annotated[str, Field(max_length=200_000)]
    html: Annotated[str, Field(max_length=400_000)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "revision": 1,
            "assessment_revision": 3,
            "study_instance_uid": "2.25.1001",
            "patient_id": "P-1001",
            "state": "draft",
            "due": True,
            "sections": [NoteSection.EXAMPLES[0]],
            "content_sha256": "0" * 64,
            "text": "Views: 1 of 14 planned views obtained.",
            "html": "<p>1 of 14 planned views obtained.</p>",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"note:{self.study_instance_uid}:{self.revision}"
