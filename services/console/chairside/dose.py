"""The dose so far against what the plan would give. Pure. An estimate, not a dosimeter."""

from dataclasses import dataclass
from typing import Final

from schemas.conclusions import StudyAssessed

CAUTION: Final = "An estimate, not a dosimeter. Levels are the group's own."


@dataclass(frozen=True, slots=True)
class DoseCard:
    """``so_far`` and ``planned`` in words; ``share``: of the planned dose, in percent."""

    so_far: str
    planned: str
    share: int | None
    notes: tuple[str, ...]


def dose_card(study: StudyAssessed) -> DoseCard:
    """Put the sum beside the plan's expectation."""
    dose, planned = study.dose, study.dose.planned
    spread = f" (±{2 * dose.relative_uncertainty:.0%}, k = 2)" if dose.relative_uncertainty else ""
    so_far = f"{dose.kerma_mgy:.3g} mGy in {dose.exposures} exposures{spread}"
    notes = [dose.words]
    if dose.unknown_exposures:
        notes.append(f"{dose.unknown_exposures} without a known dose, in no sum")
    if dose.doubtful_exposures:
        notes.append(f"{dose.doubtful_exposures} with a doubtful figure, in no sum")
    again = dose.kerma_repeats_mgy + dose.kerma_ended_early_mgy
    if again:
        notes.append(f"{again:.2g} mGy of it for repeats and early ends")
    if planned is None or not planned.kerma_mgy:
        words = planned.words if planned is not None else "The site has no chart to expect it from."
        return DoseCard(so_far, words, None, tuple(notes))
    invented = ", an invented chart" if planned.chart_basis == "invented" else ""
    expected = f"of {planned.kerma_mgy:.3g} mGy for the whole plan by the site's chart{invented}"
    share = round(100 * dose.kerma_mgy / planned.kerma_mgy)
    return DoseCard(so_far, expected, share, tuple(notes))
