"""Signs that an image is not this animal's, or that something else wants a person."""

from collections.abc import Iterator, Sequence

from schemas.conclusions import Question
from schemas.facts import ImageStored, OrderPlaced
from schemas.teeth import Dentition, Species, species_from_code, teeth_of
from services.assessment.counting import PatientIds


def image_doubts(
    image: ImageStored, order: OrderPlaced | None, ids: PatientIds
) -> tuple[tuple[str, str], ...]:
    """Give what speaks against this image being of the ordered animal: code and words each."""
    if order is None:
        return ()
    return tuple(_doubts(image, order, ids))


def _doubts(image: ImageStored, order: OrderPlaced, ids: PatientIds) -> Iterator[tuple[str, str]]:
    ordered = order.patient
    if ids.current(image.patient_id) != ids.current(ordered.patient_id):
        yield (
            "patient-differs",
            f"the image names patient {image.patient_id}, the order {ordered.patient_id}",
        )
    if image.species_code is not None:
        species = species_from_code(image.species_code) or species_from_code(
            image.species_code, "SRT"
        )
        if species is not ordered.species:
            said = species.value if species else f"a species of code {image.species_code}"
            yield "species-differs", f"the image says {said}, the order {ordered.species.value}"
    impossible = sorted(set(image.teeth) - _possible(ordered.species))
    if impossible:
        teeth = ", ".join(str(tooth) for tooth in impossible)
        yield "tooth-not-of-species", f"a {ordered.species.value} has no tooth {teeth}"


def _possible(species: Species) -> frozenset[int]:
    return teeth_of(species, Dentition.PERMANENT) | teeth_of(species, Dentition.DECIDUOUS)


def doubt_questions(doubts: Sequence[tuple[str, str]], fact_key: str) -> Iterator[Question]:
    """Ask a person about each doubt."""
    for code, words in doubts:
        yield Question(
            code=code, words=f"Is this image of this patient? Note: {words}.", about=(fact_key,)
        )
