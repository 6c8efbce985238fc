"""A note as it stands, computed from its file; once signed, its sections are what was signed."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from schemas.conclusions import (
    Addendum,
    NoteSection,
    NoteState,
    NoteTask,
    SectionDifference,
    Signature,
    StudyAssessed,
    StudyState,
)
from schemas.facts.desk import NoteAddended, NoteAmended
from schemas.group import Site
from services.notes.changes import proposal
from services.notes.content import SignedNote, content_sha256, posting_digest
from services.notes.draft import draft
from services.notes.note_file import Fact, NoteFile, in_order
from services.notes.sections import Written, written_sections
from services.notes.signing import covering_signers, trainees_signatures
from services.notes.writing import Writing

NO_WORDS = "(the record gave no reason)"
NEXT_ACTION = (
    "Put the cause right, in the record or here; then a vet or a lead tells note_released for "
    "this study, and the note goes out again."
)


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
    task: NoteTask | None = None

    @property
    def signed_at(self) -> datetime | None:
        return self.signed.signed_at if self.signed else None


def note_now(file: NoteFile, site: Site) -> NoteNow | None:
    """Compute the note as it stands; None while its study is not known."""
    assessment, signed = file.assessment, file.signed
    if assessment is None:
        return None
    facts = in_order(file.facts)
    if signed is not None:
        current = Written(signed.sections, signed.differences)
        signatures = signed.signatures or (_only_signature(signed),)
    else:
        current = written_sections(assessment, facts, site)
        signatures = trainees_signatures(facts)
    sha256 = content_sha256(current.sections)
    covering = () if signed else covering_signers(signatures, sha256)
    addenda = _addenda(facts) if signed else ()
    patient_id = signed.patient_id if signed else assessment.patient_id
    accession = signed.accession_number if signed else assessment.accession_number
    signer = signed.signer if signed else None
    told = [addendum.model_dump(mode="json") for addendum in addenda]
    digest = posting_digest(sha256, patient_id, accession, signer, told, covering)
    posted, refusal = file.holds(digest), file.refusal_of(digest)
    return NoteNow(
        study_instance_uid=assessment.study_instance_uid,
        patient_id=patient_id,
        accession_number=accession,
        state=_state(file, addenda, posted),
        # What was refused goes out again by a person's word alone, under the key that it had.
        due=not (posted or refusal) and (signed is not None or draft_is_due(assessment)),
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
        task=_task(assessment.study_instance_uid, *refusal) if refusal else None,
    )


def _task(study: str, revision: int, words: str) -> NoteTask:
    return NoteTask(
        posting_key=f"note:{study}:{revision}", words=words or NO_WORDS, next_action=NEXT_ACTION
    )


def _proposal(signed: SignedNote | None, assessment: StudyAssessed, site: Site) -> str | None:
    if signed is None:
        return None
    return proposal(signed.told, draft(assessment, site, Writing.neutral(site)))


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
