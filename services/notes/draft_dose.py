"""Lines of the dose section beside the sum: repeats and early ends apart, the plan, the period."""

from collections.abc import Iterator

from schemas.conclusions import DoseBasis, DoseResult
from services.notes.writing import Writing

BASIS_WORDS = {
    DoseBasis.DEVICE: "reported by the device",
    DoseBasis.CALIBRATION: "from the site's calibration",
    DoseBasis.MODEL: "modelled from the settings",
    DoseBasis.UNKNOWN: "unknown",
}


def basis_line(basis: tuple[DoseBasis, ...]) -> str:
    return f"Basis: {', '.join(BASIS_WORDS[one] for one in basis) or 'unknown'}."


def uncertainty_line(relative_uncertainty: float | None) -> str:
    if relative_uncertainty is None:
        return "Uncertainty: not known."
    return f"Standard uncertainty (k = 1): {100.0 * relative_uncertainty:.0f} % of the value."


def apart_lines(dose: DoseResult, writing: Writing) -> Iterator[str]:
    """Tell what of the sum is of repeats, and what of exposures that were released early."""
    for what, count, kerma_mgy, kap_mgycm2 in (
        ("repeats", dose.repeats, dose.kerma_repeats_mgy, dose.kap_repeats_mgycm2),
        (
            "exposures ended early",
            dose.ended_early,
            dose.kerma_ended_early_mgy,
            dose.kap_ended_early_mgycm2,
        ),
    ):
        if count == 0 and kerma_mgy == 0:
            continue
        number = f" ({count})" if count else ""
        area = f", {writing.number(kap_mgycm2)} mGy·cm²" if kap_mgycm2 > 0 else ""
        yield f"Of it for {what}{number}: {writing.number(kerma_mgy)} mGy{area}."


def planned_lines(dose: DoseResult, writing: Writing) -> Iterator[str]:
    """Set the sum beside what the site's technique chart expects of the planned views."""
    planned = dose.planned
    if planned is None:
        return
    yield f"Planned: {writing.sentence(planned.words)}"
    if planned.kerma_mgy is None:
        return
    if planned.kerma_of_done_mgy is not None:
        yield (
            "Expected of the views obtained so far: "
            f"{writing.number(planned.kerma_of_done_mgy)} mGy; given, "
            f"with repeats and early ends: {writing.number(dose.kerma_mgy)} mGy."
        )
    if planned.basis != dose.basis and planned.basis:
        words = ", ".join(BASIS_WORDS[one] for one in planned.basis)
        yield f"The two rest on different figures: what is expected is {words}."


def period_lines(dose: DoseResult, writing: Writing) -> Iterator[str]:
    """Tell the sum of this patient's studies here, with its basis and uncertainty."""
    period = dose.patient_period
    if period is None:
        return
    yield (
        f"All studies of this patient here from {writing.day(period.first_day)} on: "
        f"{period.studies}; exposures {period.exposures}; {writing.number(period.kerma_mgy)} mGy, "
        f"{writing.number(period.kap_mgycm2)} mGy·cm². {basis_line(period.basis)} "
        f"{uncertainty_line(period.relative_uncertainty)}"
    )
    yield f"Over the period: {period.verdict}; {writing.sentence(period.words)}"
