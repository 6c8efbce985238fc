"""The life of a note as a pure state machine: draft, amended, signed, posted, addended.

What is known of a note is its newest assessment and the kept facts; the note as it stands is
computed from them. Only a vet's signature freezes: what was signed is never computed again. A
trainee's leaves the note a draft, and covers it only while its content is what was signed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from schemas.conclusions import (
    Addendum,
    NoteSection,
    NoteState,
    SectionDifference,
    Signature,
    StudyAssessed,
    StudyState,
)
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts.desk import (
    NoteAddended,
    NoteAmended,
    NoteSigned,
    PostingAnswered,
    PostingOutcome,
)
from schemas.group import Person, Site
from services.notes.changes import proposal
from services.notes.content import SignedNote, content_sha256, posting_digest
from services.notes.draft import draft
from services.notes.layout import PART_BY_NAME, PARTS
from services.notes.permission import check_author
from services.notes.sections import Written, written_sections
from services.notes.signing import (
    refuse_after_signing,
    refuse_other_content,
    signed_note,
    trainees_signatures,
)
from services.notes.writing import Writing

Fact = Message[Payload]


@dataclass(frozen=True, slots=True)
class NoteFile:
    """All that is known of one study's note.

    ``facts`` are kept by natural key; while there is no assessment they wait for it.
    ``written`` tells by revision what the record would hold of it; ``accepted_revision`` is the
    highest that the record took.
    """

    assessment: StudyAssessed | None = None
    facts: Mapping[str, Fact] = field(default_factory=lambda: MappingProxyType({}))
    signed: SignedNote | None = None
    written: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))
    accepted_revision: int = 0


@dataclass(frozen=True, slots=True)
class Refused:
    """A kept fact that turned out not to fit once its study had come."""

    fact: Fact
    error: InvalidInput


@dataclass(frozen=True, slots=True)
class NoteNow:
    """A note as it stands. ``digest`` covers all that the record would hold of it.

    ``needs_cosign``: a trainee has signed what stands, and no vet yet.
    """

    study_instance_uid: str
    patient_id: str
    accession_number: str | None
    state: NoteState
    due: bool
    sections: tuple[NoteSection, ...]
    content_sha256: str
    signer: str | None
    signed: SignedNote | None
    addenda: tuple[Addendum, ...]
    addendum_proposal: str | None
    digest: str
    signatures: tuple[Signature, ...] = ()
    needs_cosign: bool = False
    differences: tuple[SectionDifference, ...] = ()


def take_assessment(
    file: NoteFile, assessment: StudyAssessed, site: Site
) -> tuple[NoteFile, tuple[Refused, ...]]:
    """Take a study's assessment; one that is not newer changes nothing.

    The first one lets the facts that waited count, in the order in which they occurred; those
    that do not fit are given back.
    """
    if file.assessment is None:
        waiting = _in_order(file.facts)
        opened = replace(file, assessment=assessment, facts=MappingProxyType({}))
        refused = []
        for fact in waiting:
            try:
                opened = take_fact(opened, fact, site)
            except InvalidInput as error:
                refused.append(Refused(fact, error))
        return opened, tuple(refused)
    if assessment.revision <= file.assessment.revision:
        return file, ()
    return replace(file, assessment=assessment), ()


def take_fact(file: NoteFile, fact: Fact, site: Site) -> NoteFile:
    """Take a fact of the notes desk or an answer of the record; a repeated one changes nothing.

    Raises
    ------
    InvalidInput
        The author may not write it, the signature is not for the note's content now or was
        given without proof of who signs, or the note is in no state for it; the field is named.
    """
    payload = fact.payload
    if isinstance(payload, PostingAnswered):
        return _take_answer(file, fact, payload)
    author = check_author(fact, site)
    if fact.natural_key in file.facts:
        return file
    kept = replace(file, facts=MappingProxyType({**file.facts, fact.natural_key: fact}))
    if file.assessment is not None:
        return _count(kept, file.assessment, fact, author, site)
    return kept


def _count(
    kept: NoteFile, assessment: StudyAssessed, fact: Fact, author: Person, site: Site
) -> NoteFile:
    """Let a fact count for a study that is known."""
    payload = fact.payload
    if isinstance(payload, NoteAmended):
        _check_amendment(kept, payload)
    elif isinstance(payload, NoteSigned):
        return _sign(kept, assessment, fact, payload, author, site)
    elif isinstance(payload, NoteAddended) and kept.signed is not None:
        told = draft(assessment, site, Writing.neutral(site))
        return replace(kept, signed=kept.signed.model_copy(update={"told": told}))
    return kept  # an addendum before the signature counts once the note is signed


def _take_answer(file: NoteFile, fact: Fact, answer: PostingAnswered) -> NoteFile:
    kind, _, rest = answer.posting_key.partition(":")
    if kind != "note":
        return file  # the record's answer about a charge
    study, _, number = rest.rpartition(":")
    if study != answer.study_instance_uid or not number.isdecimal():
        raise InvalidInput(
            "payload.posting_key",
            answer.posting_key,
            f"note:{answer.study_instance_uid}:<revision>",
        )
    if file.assessment is None:
        return replace(file, facts=MappingProxyType({**file.facts, fact.natural_key: fact}))
    if int(number) not in file.written:
        raise InvalidInput(
            "payload.posting_key", answer.posting_key, "a revision of the note that we have told"
        )
    if answer.outcome is not PostingOutcome.ACCEPTED:
        return file  # a person settles it with the record's own words; the note stays as it is
    return replace(file, accepted_revision=max(file.accepted_revision, int(number)))


def _check_amendment(file: NoteFile, amended: NoteAmended) -> None:
    part = PART_BY_NAME.get(amended.section)
    if part is None or not part.amendable:
        names = ", ".join(one.name for one in PARTS if one.amendable)
        raise InvalidInput("payload.section", amended.section, f"one of {names}")
    refuse_after_signing(file.signed, "payload.section", amended.section)


def _sign(
    kept: NoteFile,
    assessment: StudyAssessed,
    fact: Fact,
    signature: NoteSigned,
    signer: Person,
    site: Site,
) -> NoteFile:
    refuse_after_signing(kept.signed, "payload.note_sha256", signature.note_sha256)
    facts = _in_order(kept.facts)
    others = [one for one in facts if one is not fact]
    current = written_sections(assessment, others, site)
    seen = _revision_that_said(kept, signature.note_sha256, assessment, others)
    refuse_other_content(signature, content_sha256(current.sections), seen)
    if not signer.signs_alone:
        return kept
    trainees = trainees_signatures(others)
    return replace(kept, signed=signed_note(fact, signature, current, assessment, trainees, site))


def _revision_that_said(
    file: NoteFile, sha256: str, assessment: StudyAssessed, others: Sequence[Fact]
) -> int | None:
    """Find the newest told revision of the unsigned note that had this content."""
    covering = _covering(trainees_signatures(others), sha256)
    digests = {
        posting_digest(
            sha256, assessment.patient_id, assessment.accession_number, None, (), trainees
        )
        for trainees in ((), covering)
    }
    return max((at for at, digest in file.written.items() if digest in digests), default=None)


def note_now(file: NoteFile, site: Site) -> NoteNow | None:
    """Compute the note as it stands; None while its study is not known."""
    assessment, signed = file.assessment, file.signed
    if assessment is None:
        return None
    facts = _in_order(file.facts)
    if signed is not None:
        current = Written(signed.sections, signed.differences)
        signatures = signed.signatures or (_only_signature(signed),)
    else:
        current = written_sections(assessment, facts, site)
        signatures = trainees_signatures(facts)
    sha256 = content_sha256(current.sections)
    covering = () if signed else _covering(signatures, sha256)
    addenda = _addenda(facts) if signed else ()
    patient_id = signed.patient_id if signed else assessment.patient_id
    accession = signed.accession_number if signed else assessment.accession_number
    signer = signed.signer if signed else None
    told = [addendum.model_dump(mode="json") for addendum in addenda]
    digest = posting_digest(sha256, patient_id, accession, signer, told, covering)
    posted = file.written.get(file.accepted_revision) == digest
    return NoteNow(
        study_instance_uid=assessment.study_instance_uid,
        patient_id=patient_id,
        accession_number=accession,
        state=_state(file, addenda, posted),
        due=not posted and (signed is not None or draft_is_due(assessment)),
        sections=current.sections,
        content_sha256=sha256,
        signer=signer,
        signed=signed,
        addenda=addenda,
        addendum_proposal=_proposal(signed, assessment, site),
        digest=digest,
        signatures=signatures,
        needs_cosign=bool(covering),
        differences=current.differences,
    )


def _proposal(signed: SignedNote | None, assessment: StudyAssessed, site: Site) -> str | None:
    if signed is None:
        return None
    return proposal(signed.told, draft(assessment, site, Writing.neutral(site)))


def _covering(signatures: Sequence[Signature], sha256: str) -> tuple[str, ...]:
    """Name the trainees who signed this very content."""
    return tuple(one.signer for one in signatures if one.content_sha256 == sha256)


def _only_signature(signed: SignedNote) -> Signature:
    """Give the signature of a note that was signed before signatures were kept one by one."""
    return Signature(
        signer=signed.signer,
        signed_at=signed.signed_at,
        content_sha256=signed.content_sha256,
        final=True,
    )


def _state(file: NoteFile, addenda: tuple[Addendum, ...], posted: bool) -> NoteState:
    if file.signed is None:
        amended = any(isinstance(fact.payload, NoteAmended) for fact in file.facts.values())
        return NoteState.AMENDED if amended else NoteState.DRAFT
    if addenda:
        return NoteState.ADDENDED
    return NoteState.POSTED if posted else NoteState.SIGNED


def draft_is_due(assessment: StudyAssessed) -> bool:
    """An unsigned draft goes to the record once real work on a patient has ended."""
    nothing_done = assessment.state is StudyState.CANCELLED and not assessment.images
    return assessment.closed and not assessment.training and not nothing_done


def _addenda(facts: Sequence[Fact]) -> tuple[Addendum, ...]:
    return tuple(
        Addendum(text=fact.payload.text, signer=fact.payload.signer, signed_at=fact.occurred_at)
        for fact in facts
        if isinstance(fact.payload, NoteAddended)
    )


def _in_order(facts: Mapping[str, Fact]) -> list[Fact]:
    return sorted(facts.values(), key=lambda fact: (fact.occurred_at, fact.natural_key))
