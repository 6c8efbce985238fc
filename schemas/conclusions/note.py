"""The imaging note: drafted by us, corrected and signed by a vet."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from schemas.base import Contract, Name, NotNegative, Text, Tooth, Uid, UtcTime
from schemas.envelope import Payload
from schemas.facts.desk import PostingKey, Sha256
from schemas.facts.image import ShortText
from schemas.teeth import Species


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


class Signature(Contract):
    """Who signed which content, and when they proved anew who they are (intake's clock).

    ``final``: a vet's. A trainee's signature is not, and covers the note only while
    ``content_sha256`` is the note's.
    """

    signer: Name
    signed_at: UtcTime
    reauthenticated_at: UtcTime | None = None
    content_sha256: Sha256
    final: bool

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "signer": "vet-1",
            "signed_at": "2026-03-02T16:00:00Z",
            "reauthenticated_at": "2026-03-02T16:00:01Z",
            "content_sha256": "0" * 64,
            "final": True,
        },
    )


class WordsOp(StrEnum):
    """What a run of words is, against the draft."""

    SAME = "same"
    REMOVED = "removed"
    ADDED = "added"


class WordsRun(Contract):
    """Words that follow each other and share one fate; joined, the runs are the whole text."""

    op: WordsOp
    text: Annotated[str, Field(min_length=1, max_length=20_000)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"op": "added", "text": "one view is "},)


class SectionDifference(Contract):
    """How a person's words in a section differ from the draft's, word by word.

    ``SAME`` and ``REMOVED`` runs together are the draft's text, ``SAME`` and ``ADDED`` the
    person's. A correction removes nothing from the note: the draft's text stands below it.
    """

    section: Name
    title: Text
    author: Name
    runs: tuple[WordsRun, ...]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "section": "views",
            "title": "Views",
            "author": "vet-1",
            "runs": [{"op": "same", "text": "1 of 14 "}, {"op": "added", "text": "views."}],
        },
    )


class NoteTask(Contract):
    """The note's newest posting, which the record refused: in its own words, and what to do."""

    posting_key: PostingKey
    words: Text
    next_action: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "posting_key": "note:2.25.1001:3",
            "words": "No such patient (invented)",
            "next_action": "Put the cause right, then tell note_released for this study.",
        },
    )


class NoteImage(Contract):
    """An image of a note's study; ``title`` names the planned view that it counts for, if any.

    Series and SOP class are not known of what was assessed before they were told.
    """

    sop_instance_uid: Uid
    series_instance_uid: Uid | None = None
    sop_class_uid: Uid | None = None
    acquired_at: UtcTime
    title: Text | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "sop_instance_uid": "2.25.1003",
            "series_instance_uid": "2.25.1002",
            "sop_class_uid": "1.2.840.10008.5.1.4.1.1.1.3",
            "acquired_at": "2026-03-02T09:20:03Z",
            "title": "left mandibular molars",
        },
    )


class NoteShows(Contract):
    """What a note's study shows, by our own codes, for the record's codes and its list of images.

    ``views`` are those that images count for, in the order of the plan, ``teeth`` what these show.
    """

    species: Species | None = None
    plan: Name | None = None
    views: tuple[Name, ...] = ()
    teeth: tuple[Tooth, ...] = ()
    images: tuple[NoteImage, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "species": "dog",
            "plan": "dog-full-mouth",
            "views": ["mand-molars-l"],
            "teeth": [309, 310, 311],
            "images": [NoteImage.EXAMPLES[0]],
        },
    )


class NoteWritten(Payload):
    """A study's note as it stands, at a revision; the newest counts.

    ``content_sha256`` is over the sections alone: what a signature is bound to. Once signed,
    the sections never change; a later fact leads to ``addendum_proposal``. ``signer`` is the vet
    whose signature made it final; ``signatures`` has the trainee's before it too, and
    ``needs_cosign`` says that one of them waits for a vet's. ``short_text`` and ``short_html``
    are the short form. ``shows`` is of a signed note what its signature saw, and None where that
    was not kept yet. ``task`` is there while the record refuses what the note says; it is not
    ``due`` then, until it says something else.
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
    signatures: tuple[Signature, ...] = ()
    needs_cosign: bool = False
    differences: tuple[SectionDifference, ...] = ()
    text: Annotated[str, Field(max_length=200_000)]
    html: Annotated[str, Field(max_length=400_000)]
    short_text: Annotated[str, Field(max_length=100_000)] | None = None
    short_html: Annotated[str, Field(max_length=200_000)] | None = None
    task: NoteTask | None = None
    shows: NoteShows | None = None

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
            "shows": NoteShows.EXAMPLES[0],
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"note:{self.study_instance_uid}:{self.revision}"


class NoteUnsigned(Payload):
    """A note of finished work waits for a signature: a task for a person, told once per reminder.

    ``reminder`` counts from 1. ``waits_for`` is a vet's ``signature``, or the ``cosignature``
    after a trainee's.
    """

    KIND: ClassVar[str] = "note_unsigned"

    study_instance_uid: Uid
    patient_id: ShortText
    accession_number: ShortText | None = None
    waiting_since: UtcTime
    age_hours: NotNegative
    reminder: Annotated[int, Field(ge=1)]
    waits_for: Literal["signature", "cosignature"]
    trainee: Name | None = None
    words: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "study_instance_uid": "2.25.1001",
            "patient_id": "P-1001",
            "waiting_since": "2026-03-02T16:00:00Z",
            "age_hours": 24.1,
            "reminder": 1,
            "waits_for": "signature",
            "words": "The note has waited for a signature for 24 hours.",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        since = self.waiting_since.isoformat()
        return f"unsigned:{self.study_instance_uid}:{since}:{self.reminder}"
