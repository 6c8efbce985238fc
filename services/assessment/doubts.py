"""Signs that an image is not this animal's, or that something else wants a person."""

from collections.abc import Iterator, Sequence

from schemas.conclusions import Question
from schemas.facts import ImageStored, OrderPlaced
from schemas.plans import Plan
from schemas.teeth import Dentition, Side, Species, side, species_from_code, teeth_of
from services.assessment.counting import PatientIds


def image_doubts(
    image: ImageStored, order: OrderPlaced | None, ids: PatientIds, plan: Plan | None = None
) -> tuple[tuple[str, str], ...]:
    """Give what speaks against this image being of the ordered animal, or of the side that it is
    marked for: code and words each."""
    of_animal = () if order is None else tuple(_doubts(image, order, ids))
    return (*of_animal, *_side_doubts(image, plan))


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


_MARKED = {"R": Side.RIGHT, "L": Side.LEFT}


def _side_doubts(image: ImageStored, plan: Plan | None) -> Iterator[tuple[str, str]]:
    """Compare Image Laterality (0020,0062) with the teeth that the image names, else its view's."""
    marked = _MARKED.get(image.laterality or "")
    view = plan.view(image.view) if plan is not None and image.view is not None else None
    teeth = image.teeth or (view.teeth if view is not None else ())
    if marked is None or not teeth or any(side(tooth) is marked for tooth in teeth):
        return
    named = ", ".join(str(tooth) for tooth in sorted(teeth))
    other = Side.LEFT if marked is Side.RIGHT else Side.RIGHT
    yield "laterality-differs", f"it is marked {marked}, its teeth ({named}) are on the {other}"


def _possible(species: Species) -> frozenset[int]:
    return teeth_of(species, Dentition.PERMANENT) | teeth_of(species, Dentition.DECIDUOUS)


def doubt_questions(doubts: Sequence[tuple[str, str]], fact_key: str) -> Iterator[Question]:
    """Ask a person about each doubt."""
    for code, words in doubts:
        of_side = code == "laterality-differs"
        ask = "Which side does this image show?" if of_side else "Is this image of this patient?"
        yield Question(code=code, words=f"{ask} Note: {words}."[:2000], about=(fact_key,))
