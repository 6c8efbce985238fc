"""What a signature is bound to: the sections of a note, and their hash."""

import json
from collections.abc import Sequence
from hashlib import sha256
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, UtcTime
from schemas.conclusions import NoteSection, SectionDifference, Signature
from schemas.facts.desk import Sha256
from schemas.facts.image import ShortText
from services.notes.study_shown import StudyShown


def content_sha256(sections: Sequence[NoteSection]) -> str:
    """Hash the sections: SHA-256 over JSON in UTF-8, keys sorted, without white space."""
    return _digest([section.model_dump(mode="json") for section in sections])


def _digest(content: object) -> str:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return sha256(text.encode()).hexdigest()


class SignedNote(Contract):
    """The note as it was signed. Nothing in it ever changes but ``told``.

    ``told`` is what the device data said, neutrally written, when it was signed, or when the last
    addendum was made: what is different now has not been told to a vet yet. ``signatures`` are
    all of them, a trainee's before the vet's; ``signer`` is the vet. ``shown`` is what tooth chart,
    pictures and objects are made from; a note signed before it was kept has none.
    """

    sections: tuple[NoteSection, ...]
    content_sha256: Sha256
    signer: Name
    signed_at: UtcTime
    patient_id: ShortText
    accession_number: ShortText | None = None
    told: Annotated[tuple[NoteSection, ...], Field(min_length=1)]
    signatures: tuple[Signature, ...] = ()
    differences: tuple[SectionDifference, ...] = ()
    shown: StudyShown | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "sections": [NoteSection.EXAMPLES[0]],
            "content_sha256": "0" * 64,
            "signer": "vet-1",
            "signed_at": "2026-03-02T16:00:00Z",
            "patient_id": "P-1001",
            "told": [NoteSection.EXAMPLES[0]],
            "shown": StudyShown.EXAMPLES[0] | {"at_signature": True},
        },
    )


def posting_digest(
    sections_sha256: str,
    patient_id: str,
    accession_number: str | None,
    signer: str | None,
    addenda: Sequence[dict[str, Any]],
    trainees: Sequence[str] = (),
) -> str:
    """Hash all that the record would hold, to tell whether it holds it already."""
    held: list[object] = [sections_sha256, patient_id, accession_number, signer, list(addenda)]
    # Only where there are any: what was told before trainees signed keeps its digest.
    return _digest([*held, list(trainees)] if trainees else held)
