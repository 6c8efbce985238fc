"""The draft of a note from a study's assessment: what devices and people told, in sentences.

Pure. It holds no diagnosis and no charge; what only a vet may say is left empty.
"""

from collections.abc import Iterable

from schemas.conclusions import NoteSection, StudyAssessed, ViewResult, ViewStatus
from schemas.facts import Patient
from schemas.group import Site
from schemas.note_layout import (
    ANAESTHESIA,
    CAUTIONS,
    DOSE,
    FINDINGS,
    INDICATION,
    INTERPRETATION,
    LIMITATIONS,
    PATIENT,
    REPEATS,
    TECHNIQUE,
    UNSURE_LINKS,
    VIEWS,
    Part,
    region_of,
)
from services.notes.draft_exposures import dose_words, repeats, technique, unsure_links
from services.notes.wording import bounded, ended, named, teeth_words
from services.notes.writing import Writing

CAUTION_WORDS = (
    "Draft made from device data. Not a diagnosis. To be corrected and signed by a licensed vet.",
    "Dose figures are estimates about the patient; they are no measure for a person in the room.",
    "Local codes and licensed veterinary practice come before anything written here.",
)


def draft(
    assessment: StudyAssessed, site: Site, writing: Writing | None = None
) -> tuple[NoteSection, ...]:
    """Draft every section of the note, as the site writes; prompts for the vet are empty."""
    writing = writing or Writing.of(site)
    sections = [
        _section(PATIENT, _patient(assessment, site, writing)),
        _section(INDICATION, [assessment.indication or "Not told with the order."]),
        _section(ANAESTHESIA, [_anaesthesia(assessment, site)]),
        _section(VIEWS, _views(assessment)),
        _section(TECHNIQUE, technique(assessment, site, writing)),
        _section(REPEATS, repeats(assessment, writing)),
        _section(DOSE, dose_words(assessment, writing)),
        _section(LIMITATIONS, _limitations(assessment)),
        _section(UNSURE_LINKS, unsure_links(assessment, writing)),
    ]
    shown = _regions(assessment)
    sections += [_section(part, ()) for region, part in FINDINGS.items() if region in shown]
    sections += [_section(INTERPRETATION, ()), _section(CAUTIONS, CAUTION_WORDS)]
    return tuple(sections)


def _section(part: Part, lines: Iterable[str]) -> NoteSection:
    return NoteSection(
        section=part.name, title=part.title, text=bounded(lines), for_vet=part.for_vet
    )


def _patient(assessment: StudyAssessed, site: Site, writing: Writing) -> list[str]:
    """Name the animal, not its owner. The signature binds this section with the others."""
    lines = [f"Patient id {assessment.patient_id}."]
    patient = assessment.patient
    if patient is None:
        lines.append("The order with name and species has not come.")
    else:
        about = [patient.name, str(patient.species), patient.breed or "breed not told"]
        about += _sex(patient)
        if patient.born_on is not None:
            about.append(f"born {writing.day(patient.born_on)}")
        if patient.weight is not None:
            about.append(writing.weight(patient.weight))
        lines.append(", ".join(about) + ".")
    lines.append(f"Accession number {assessment.accession_number or 'not told'}.")
    lines.append(f"Study of {writing.day(assessment.day)} at {site.title}.")
    lines.append(f"Study Instance UID {assessment.study_instance_uid}.")
    if assessment.training:
        lines.append("Training study.")
    return lines


def _sex(patient: Patient) -> list[str]:
    neutered = {True: "neutered", False: "intact", None: ""}[patient.neutered]
    words = f"{patient.sex or ''} {neutered}".strip()
    return [words] if words else []


def _anaesthesia(assessment: StudyAssessed, site: Site) -> str:
    if assessment.anaesthesia_confirmed_by is None:
        return "A check of the plane of anaesthesia is not recorded."
    by = named(site, assessment.anaesthesia_confirmed_by)
    return f"Surgical plane of anaesthesia confirmed by {by}."


_OBTAINED = {
    ViewStatus.DONE: "obtained",
    ViewStatus.MISSING: "not obtained",
    ViewStatus.EXCUSED: "not obtained, excused",
    ViewStatus.NEEDS_PERSON: "not settled",
}


def _views(assessment: StudyAssessed) -> list[str]:
    if not assessment.views:
        return [
            f"No plan of views is known for this study. Images received: {len(assessment.images)}."
        ]
    done = [view for view in assessment.views if view.status is ViewStatus.DONE]
    title = assessment.plan_title or assessment.plan or "plan not named"
    lines = [f"{len(done)} of {len(assessment.views)} planned views obtained ({title})."]
    lines += [_view(view) for view in assessment.views if view.status is ViewStatus.DONE]
    lines += [_view(view) for view in assessment.views if view.status is not ViewStatus.DONE]
    return lines


def _view(view: ViewResult) -> str:
    line = f"{view.title} ({teeth_words(view.teeth)}): {_OBTAINED[view.status]}"
    plain = view.status is ViewStatus.DONE and view.words == "done"
    return f"{line}." if plain else f"{line}; {ended(view.words)}"


def _limitations(assessment: StudyAssessed) -> list[str]:
    lines = []
    if assessment.teeth_without_view:
        lines.append(
            f"Without a diagnostic view: {teeth_words(assessment.teeth_without_view)}. "
            "Of these teeth this study can neither show nor rule out anything."
        )
    elif assessment.views:
        lines.append("Every tooth of the plan has a diagnostic view.")
    else:
        lines.append("Without a plan it is not known which teeth should have been shown.")
    if assessment.absent_teeth:
        lines.append(f"Charted as absent: {teeth_words(assessment.absent_teeth)}.")
    lines += [f"Still missing: {ended(words)}" for words in assessment.still_missing]
    lines += [f"Open question: {question.words}" for question in assessment.questions]
    lines.append("Teeth are numbered by the modified Triadan system.")
    return lines


def _regions(assessment: StudyAssessed) -> set[str]:
    """Name the quadrants that were planned or shown; of an unknown study, all."""
    teeth = {tooth for view in assessment.views for tooth in view.teeth}
    teeth |= {tooth for image in assessment.images for tooth in image.teeth}
    return {region_of(tooth) for tooth in teeth} or set(FINDINGS)
