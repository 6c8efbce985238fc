"""The day in a few plain lines a study: the same text on every run."""

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path

from demo.record import filed_name
from demo.run import Outcome
from demo.story import Day
from schemas.conclusions import ExposureUse, ViewStatus

_CAUTION = (
    "All animals, people and prices are invented. Dose figures are estimates, not measurements, "
    "and say nothing of any real set.\nThe software diagnoses nothing; a licensed vet corrects "
    "and signs each note, and local radiation rules come first."
)

_UNITS = {"kerma_mgy": "mGy", "kap_mgycm2": "mGy·cm²"}


def summary(day: Day, outcomes: Sequence[Outcome], filed: Path) -> str:
    """Write the summary."""
    parts = [f"The invented day of {day.date.isoformat()}", ""]
    for outcome in outcomes:
        parts += [*_study(outcome, filed), ""]
    total = sum((_total(outcome) for outcome in outcomes), Decimal(0))
    currency = outcomes[0].charges[0]["currency"] if outcomes and outcomes[0].charges else ""
    parts += [f"Charges of the day: {total:.2f} {currency} over {len(outcomes)} studies", ""]
    return "\n".join([*parts, _CAUTION, ""])


def _study(outcome: Outcome, filed: Path) -> list[str]:
    visit, study = outcome.visit, outcome.assessed
    patient = visit.patient
    done = sum(view.status is ViewStatus.DONE for view in study.views)
    lines = [
        f"{patient.name} ({patient.species.value}, {visit.plan}) - {study.state.value}",
        f"  views      {done} of {len(study.views)} done",
    ]
    lines += [
        f"             {view.title}: {view.status.value.replace('_', ' ')} - {view.words}"
        for view in study.views
        if view.status is not ViewStatus.DONE
    ]
    lines += [_exposures(outcome), _dose(outcome), *_charges(outcome, filed)]
    lines += [f"  question   {question.words}" for question in study.questions]
    state = outcome.note["state"]
    lines.append(f"  note       {state}: {filed / 'notes' / filed_name(visit)}.html")
    return lines


def _exposures(outcome: Outcome) -> str:
    uses = [exposure.use for exposure in outcome.assessed.exposures]
    linked = uses.count(ExposureUse.IMAGE)
    words = f"  exposures  {linked} of {len(uses)} linked to their image"
    early = uses.count(ExposureUse.ENDED_EARLY)
    proposed = uses.count(ExposureUse.PROPOSED)
    if early:
        words += f"; {early} ended early"
    if proposed:
        words += f"; {proposed} for a person to confirm"
    return words


def _dose(outcome: Outcome) -> str:
    dose = outcome.assessed.dose
    study = [one for one in dose.comparisons if one.exposure_key is None]
    figures = ", ".join(
        f"{one.value or 0.0:.1f} of {one.notify:g} {_UNITS[one.quantity]}" for one in study
    )
    basis = ", ".join(basis.value for basis in dose.basis) or "unknown"
    return (
        f"  dose       {dose.verdict.value} the group's notify levels: {figures} "
        f"(basis: {basis}, ±{100 * (dose.relative_uncertainty or 0.0):.0f} %)"
    )


def _charges(outcome: Outcome, filed: Path) -> list[str]:
    total = _total(outcome)
    currency = outcome.charges[0]["currency"]
    count = len(outcome.charges)
    file = filed / "charges" / f"{filed_name(outcome.visit)}.csv"
    return [f"  charges    {total:.2f} {currency} in {count} entries: {file}"]


def _total(outcome: Outcome) -> Decimal:
    return sum(
        (
            Decimal(entry["amount"]) * (1 if entry["type"] == "charge" else -1)
            for entry in outcome.charges
        ),
        Decimal(0),
    )
