"""The signatures under a note: what each is bound to, and which one makes the note final."""

from collections.abc import Sequence

from schemas.conclusions import Signature, StudyAssessed
from schemas.errors import InvalidInput
from schemas.facts.desk import NoteSigned
from schemas.group import Site
from services.notes.content import SignedNote, content_sha256
from services.notes.draft import draft
from services.notes.note_file import Fact
from services.notes.sections import Written
from services.notes.study_shown import study_shown
from services.notes.writing import Writing


def trainees_signatures(facts: Sequence[Fact]) -> tuple[Signature, ...]:
    """Give the kept signatures of an unsigned note: a vet's would have made it a signed one.

    Who signs the same content again has signed it once, the first time.
    """
    found: dict[tuple[str, str], Signature] = {}
    for fact in facts:
        if isinstance(fact.payload, NoteSigned):
            told = (fact.payload.signer, fact.payload.note_sha256)
            found.setdefault(told, signature_of(fact, fact.payload, final=False))
    return tuple(found.values())


def signature_of(fact: Fact, signed: NoteSigned, *, final: bool) -> Signature:
    return Signature(
        signer=signed.signer,
        signed_at=fact.occurred_at,
        reauthenticated_at=signed.reauthenticated_at,
        content_sha256=signed.note_sha256,
        final=final,
    )


def is_signed_so(signed: SignedNote | None, signature: NoteSigned) -> bool:
    """Tell whether this signer has signed this very content already, and finally."""
    return signed is not None and (signed.signer, signed.content_sha256) == (
        signature.signer,
        signature.note_sha256,
    )


def refuse_after_signing(signed: SignedNote | None, field: str, value: str) -> None:
    """Refuse what would change a signed note (InvalidInput)."""
    if signed is not None:
        expected = f"a note not signed yet ({signed.signer} has signed it): add an addendum"
        raise InvalidInput(field, value, expected)


def refuse_other_content(
    signature: NoteSigned, current_sha256: str, seen_revision: int | None
) -> None:
    """Refuse a signature for anything but what stands now, and say what it was for."""
    if signature.note_sha256 == current_sha256:
        return
    was = (
        f"that was revision {seen_revision} of the note, which has changed since"
        if seen_revision is not None
        else "the note was never told with that content"
    )
    raise InvalidInput(
        "payload.note_sha256",
        signature.note_sha256,
        f"{current_sha256}, the note as it stands ({was}): read it again, then sign",
    )


def signed_note(
    fact: Fact,
    signature: NoteSigned,
    current: Written,
    assessment: StudyAssessed,
    trainees: Sequence[Signature],
    site: Site,
) -> SignedNote:
    """Freeze the note as its final signature saw it."""
    return SignedNote(
        sections=current.sections,
        content_sha256=content_sha256(current.sections),
        signer=signature.signer,
        signed_at=fact.occurred_at,
        patient_id=assessment.patient_id,
        accession_number=assessment.accession_number,
        told=draft(assessment, site, Writing.neutral(site)),
        signatures=(*trainees, signature_of(fact, signature, final=True)),
        differences=current.differences,
        shown=study_shown(assessment, at_signature=True),
    )


def covering_signers(signatures: Sequence[Signature], sha256: str) -> tuple[str, ...]:
    """Name the trainees who signed this very content."""
    return tuple(one.signer for one in signatures if one.content_sha256 == sha256)
