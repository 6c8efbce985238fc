"""A study's dose as the reports and the patient's rolling sum read it: one row a study.

Pure: the row follows from the study's assessment alone. Exposures lie in it as plain lists in the
order of ``EXPOSURE_FIELDS``, so that a report over a million of them reads little. A doubtful
figure stands in no sum, and is left out here as if it were not known.
"""

import json
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from schemas.conclusions import ExposureResult, ExposureUse, StudyAssessed

EXPOSURE_FIELDS: Final = (
    "at_s",
    "generator",
    "operator",
    "view",
    "preset",
    "use",
    "repeat",
    "tube_kv",
    "tube_current_ma",
    "exposure_ms",
    "kerma_mgy",
    "kap_mgycm2",
    "basis",
    "relative_uncertainty",
)
"""``at_s`` is in seconds since 1970 in UTC, ``exposure_ms`` the delivered time."""


@dataclass(frozen=True, slots=True)
class PatientDose:
    """What the sum over a patient's studies needs of one of them. Equal rows, equal sums."""

    study_instance_uid: str
    patient_id: str
    day: date
    exposures: int
    unknown_exposures: int
    unknown_kap_exposures: int
    kerma_mgy: float
    kap_mgycm2: float
    relative_uncertainty: float | None
    basis: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StudyDoseRow:
    """A whole row. ``exposures`` is JSON; ``people_checked`` tells whether the people were
    confirmed to be outside the beam, None where nobody said."""

    patient: PatientDose
    room: str | None
    training: bool
    species: str | None
    weight_kg: float | None
    people_checked: bool | None
    exposures: str


def patient_dose(study: StudyAssessed) -> PatientDose:
    """Take the sums of a study that count for its patient. A training study counts, too: the
    animal does not know."""
    dose = study.dose
    return PatientDose(
        study_instance_uid=study.study_instance_uid,
        patient_id=study.patient_id,
        day=study.day,
        exposures=dose.exposures,
        # A doubtful kerma is in no sum, as one that is not known.
        unknown_exposures=dose.unknown_exposures
        + sum(one.kerma_doubtful for one in study.exposures if one.use is not ExposureUse.PROPOSED),
        unknown_kap_exposures=sum(
            one.kap_mgycm2 is None or one.kap_doubtful
            for one in study.exposures
            if one.use is not ExposureUse.PROPOSED
        ),
        kerma_mgy=dose.kerma_mgy,
        kap_mgycm2=dose.kap_mgycm2,
        relative_uncertainty=dose.relative_uncertainty,
        basis=tuple(basis.value for basis in dose.basis),
    )


def row_of(study: StudyAssessed) -> StudyDoseRow:
    """Lay a study's dose out for its table."""
    patient = study.patient
    weight = patient.weight if patient is not None else None
    views = {image.sop_instance_uid: image.view for image in study.images}
    return StudyDoseRow(
        patient=patient_dose(study),
        room=study.room,
        training=study.training,
        species=patient.species.value if patient is not None else None,
        weight_kg=weight.kg if weight is not None else None,
        people_checked=study.people_outside_beam,
        exposures=json.dumps(
            [_fields(one, views) for one in study.exposures], separators=(",", ":")
        ),
    )


def _fields(one: ExposureResult, views: dict[str, str | None]) -> list[Any]:
    # Of a link that waits for a person the view does not follow yet.
    shown = one.sop_instance_uid if one.use is ExposureUse.IMAGE else None
    return [
        round(one.occurred_at.timestamp(), 3),
        one.generator,
        one.operator,
        views.get(shown) if shown is not None else None,
        one.preset,
        one.use.value,
        one.repeat,
        one.tube_kv,
        one.tube_current_ma,
        one.exposure_ms,
        None if one.kerma_doubtful else one.kerma_mgy,
        None if one.kap_doubtful else one.kap_mgycm2,
        one.dose_basis.value,
        one.relative_uncertainty,
    ]
