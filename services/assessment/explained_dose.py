"""What a reader should know of a dose figure: its calibration, wave, reference distance, doubts."""

from collections.abc import Iterator
from typing import Any

from schemas.conclusions import CalibrationUsed, DoseDoubt, ExposureResult
from services.assessment.dose import ExposureDose, StudyDose


def explained_dose(dose: ExposureDose) -> dict[str, Any]:
    """Give the fields of an ``ExposureResult`` that say what its figures rest on.

    Where the distance itself is doubtful no kerma at the reference distance is given.
    """
    use = dose.kerma.calibration if dose.kerma is not None else None
    there = dose.at_reference
    if any(doubt.code == "distance-implausible" for doubt in dose.doubts):
        there = None
    return {
        "kerma_at_reference_mgy": there.kerma_mgy if there is not None else None,
        "reference_distance_mm": there.distance_mm if there is not None else None,
        "calibration": CalibrationUsed(
            name=use.calibration.name,
            measured_on=use.calibration.measured_on,
            valid_until=use.calibration.valid_until,
            expired=use.expired,
        )
        if use is not None
        else None,
        "waveform": dose.kerma.waveform if dose.kerma is not None else None,
        "kerma_doubtful": dose.kerma_doubtful,
        "kap_doubtful": dose.kap_doubtful,
        "doubts": tuple(
            DoseDoubt(code=doubt.code, slips=doubt.slips, words=doubt.words[:2000])
            for doubt in dose.doubts
        ),
    }


def dose_shown(one: ExposureResult) -> str:
    """A kerma in a few characters: value in mGy, basis, and what marks it."""
    if one.kerma_mgy is None:
        return "unknown"
    marks = [one.dose_basis.value]
    if one.calibration is not None and one.calibration.expired:
        marks.append("expired")
    if one.kerma_doubtful:
        marks.append("doubtful")
    return f"{one.kerma_mgy:.2f} ({', '.join(marks)})"


def doubtful_words(dose: StudyDose) -> Iterator[str]:
    """Say what is in no sum for a doubt, what it would be as told, and what has expired."""
    total = dose.total
    doubtful = sum(one.kerma_doubtful or one.kap_doubtful for one in dose.exposures)
    if doubtful:
        subject = (
            "1 exposure has a figure" if doubtful == 1 else f"{doubtful} exposures have figures"
        )
        as_told = [
            f"{value:.3g} {unit}"
            for value, unit, count in (
                (total.kerma_with_doubtful_mgy, "mGy", total.kerma_doubtful),
                (total.kap_with_doubtful_mgycm2, "mGy·cm²", total.kap_doubtful),
            )
            if value is not None and count
        ]
        yield (
            f"{subject} that a question asks about, in no sum; with them as told the study would "
            f"come to {' and '.join(as_told)}."
        )
    expired = {
        one.kerma.calibration.calibration.name
        for one in dose.exposures
        if one.kerma is not None
        and one.kerma.calibration is not None
        and one.kerma.calibration.expired
    }
    for name in sorted(expired):
        yield f"The calibration '{name}' had expired; it was used with a wider uncertainty."
