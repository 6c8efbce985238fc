"""Rows of doses for the tests of reports: invented studies of so many exposures."""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import Any

from schemas.conclusions import DoseBasis, ExposureUse, ImageUse
from schemas.facts import Weight, WeightUnit
from services.assessment.dose_rows import StudyDoseRow, row_of
from tests.assessed import assessed, exposure, image, patient

DAY = date(2026, 3, 2)


def row(
    number: int,
    kermas: Sequence[float | None],
    *,
    site: str = "north",
    day: date = DAY,
    changes: Sequence[dict[str, Any]] = (),
    **study: Any,
) -> dict[str, Any]:
    """Lay out a study whose exposures have these kermas (mGy) and 28 cm² of field.

    ``changes`` are what the exposures tell else, by position.
    """
    exposures = []
    for i, kerma in enumerate(kermas):
        told: dict[str, Any] = {
            "kerma_mgy": kerma,
            "kap_mgycm2": None if kerma is None else 28.0 * kerma,
            "dose_basis": DoseBasis.UNKNOWN if kerma is None else DoseBasis.MODEL,
            "relative_uncertainty": None if kerma is None else 0.5,
            "generator": "generator-1",
            "operator": "tech-1",
            "sop_instance_uid": f"2.25.2{i + 1:03d}",
        }
        told |= changes[i] if i < len(changes) else {}
        use = told.pop("use", ExposureUse.IMAGE)
        exposures.append(exposure(i + 1, use, **told))
    images = [image(i + 1, ImageUse.VIEW) for i in range(len(kermas))]
    told_of = patient().model_copy(update={"weight": Weight(value=8.0, unit=WeightUnit.KG)})
    values: dict[str, Any] = {"patient_id": f"P-{number}", "patient": told_of}
    told_study = assessed(
        images=images,
        exposures=tuple(exposures),
        study_instance_uid=f"2.25.{number}",
        day=day,
        **(values | study),
    )
    return as_mapping(row_of(told_study), site)


def as_mapping(one: StudyDoseRow, site: str) -> dict[str, Any]:
    """Give a row as the table does."""
    return {
        "site": site,
        "study_instance_uid": one.patient.study_instance_uid,
        "patient_id": one.patient.patient_id,
        "day": one.patient.day,
        "room": one.room,
        "training": one.training,
        "species": one.species,
        "weight_kg": one.weight_kg,
        "people_checked": one.people_checked,
        "exposures": one.exposures,
    }


def days(first: date, count: int) -> Iterator[date]:
    return (first + timedelta(days=i) for i in range(count))
