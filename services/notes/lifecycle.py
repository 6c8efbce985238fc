"""The life of a note as a pure state machine: draft, amended, signed, posted, addended.

What is known of a note is its newest assessment and the kept facts; the note as it stands is
computed from them. Only a vet's signature freezes: what was signed is never computed again. A
trainee's leaves the note a draft, and covers it only while its content is what was signed.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from schemas.conclusions import StudyAssessed
from schemas.errors import InvalidInput
from schemas.facts.desk import (
    NoteAddended,
    NoteAmended,
    NoteSigned,
    PostingAnswered,
)
from schemas.group import Person, Site
from schemas.note_layout import PART_BY_NAME, PARTS
from services.notes.content import content_sha256, posting_digest
from services.notes.draft import draft
from services.notes.note_file import Fact, NoteFile, RecordSaid, in_order
from services.notes.permission import check_author
from services.notes.sections import written_sections
from services.notes.signing import (
    covering_signers,
    is_signed_so,
    refuse_after_signing,
    refuse_other_content,
    signed_note,
    trainees_signatures,
)
from services.notes.writing import Writing


@dataclass(frozen=True, slots=True)
class Refused:
    """A kept fact that turned out not to fit once its study had come."""

    fact: Fact
    error: InvalidInput


def take_assessment(
    file: NoteFile, assessment: StudyAssessed, site: Site
) -> tuple[NoteFile, tuple[Refused, ...]]:
    """Take a study's assessment; one that is not newer changes nothing.

    The first one lets the facts that waited count, in the order in which they occurred; those
    that do not fit are given back.
    """
    if file.assessment is None:
        waiting = in_order(file.facts)
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
    if isinstance(payload, NoteSigned) and is_signed_so(file.signed, payload):
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
    revision, said = int(number), RecordSaid(fact.occurred_at, answer.outcome, answer.words or "")
    known = file.answers.get(revision)
    if known is not None and known >= said:
        return file
    return replace(file, answers=MappingProxyType({**file.answers, revision: said}))


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
    facts = in_order(kept.facts)
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
    covering = covering_signers(trainees_signatures(others), sha256)
    digests = {
        posting_digest(
            sha256, assessment.patient_id, assessment.accession_number, None, (), trainees
        )
        for trainees in ((), covering)
    }
    return max((at for at, digest in file.written.items() if digest in digests), default=None)
