"""The dose of one patient over a rolling number of days, as each of its studies tells it.

Pure: the same studies give the same answer in whatever order they were assessed.
"""

import math
from collections.abc import Iterable
from datetime import date, timedelta
from typing import Final

from schemas.conclusions import (
    DoseBasis,
    DoseComparison,
    DoseVerdict,
    PatientPeriodDose,
    StudyAssessed,
)
from schemas.limits import DoseLimits, Levels, PeriodLimits
from services.assessment.dose_rows import PatientDose, patient_dose
from services.assessment.dose_verdict import Comparison, Quantity, Verdict, compare, overall

MOST_NAMED: Final = 50
"""As ``PatientPeriodDose`` allows."""


def counts_for(other: date, day: date, days: int) -> bool:
    """Tell whether a study of the day ``other`` is in the period that ends with ``day``."""
    return timedelta(0) <= day - other < timedelta(days=days)


def with_patient_period(
    study: StudyAssessed, others: Iterable[PatientDose], limits: DoseLimits | None
) -> StudyAssessed:
    """Complete a study with what its patient got in the period. ``others`` may hold more than
    counts: studies of other days and patients, and this study itself, are left out."""
    period = limits.per_patient_period if limits is not None else None
    if limits is None or period is None:
        told = None
    else:
        told = period_dose(patient_dose(study), others, period, limits.basis)
    return study.model_copy(update={"dose": study.dose.model_copy(update={"patient_period": told})})


def period_dose(
    own: PatientDose, others: Iterable[PatientDose], period: PeriodLimits, limits_basis: str
) -> PatientPeriodDose:
    """Sum a patient's studies in the days that end with this study's.

    All studies of one day count for each other. The uncertainties of the studies add up plainly:
    they are most often made on the same tube with the same fault in its figures, and no
    dependence between them can make the sum less certain than that.
    """
    counted = {
        one.study_instance_uid: one
        for one in others
        if one.patient_id == own.patient_id
        and one.study_instance_uid != own.study_instance_uid
        and one.exposures > 0
        and counts_for(one.day, own.day, period.days)
    }
    newest = sorted(counted.values(), key=lambda o: (-o.day.toordinal(), o.study_instance_uid))
    studies = [own, *newest]
    kerma_mgy = math.fsum(one.kerma_mgy for one in studies)
    kap_mgycm2 = math.fsum(one.kap_mgycm2 for one in studies)
    absolute = math.fsum(one.kerma_mgy * (one.relative_uncertainty or 0.0) for one in studies)
    exposures = sum(one.exposures for one in studies)
    unknown = sum(one.unknown_exposures for one in studies)
    relative = absolute / kerma_mgy if kerma_mgy > 0 else None
    bases = {basis for one in studies for basis in one.basis}
    unknown_kap = sum(one.unknown_kap_exposures for one in studies)
    found = []
    if period.kerma_mgy is not None:
        value = kerma_mgy if exposures > unknown else None
        found.append(_compared("kerma_mgy", period.kerma_mgy, value, relative, unknown))
    if period.kap_mgycm2 is not None:
        value = kap_mgycm2 if exposures > unknown_kap else None
        found.append(_compared("kap_mgycm2", period.kap_mgycm2, value, relative, unknown_kap))
    verdict = overall(found)
    return PatientPeriodDose(
        period_days=period.days,
        first_day=own.day - timedelta(days=period.days - 1),
        studies=len(studies),
        other_studies=tuple(one.study_instance_uid for one in newest[:MOST_NAMED]),
        exposures=exposures,
        unknown_exposures=unknown,
        kerma_mgy=kerma_mgy,
        kap_mgycm2=kap_mgycm2,
        relative_uncertainty=relative,
        basis=tuple(basis for basis in DoseBasis if basis.value in bases),
        comparisons=tuple(_told(one) for one in found),
        verdict=DoseVerdict(verdict.value),
        words=_words(period, len(studies), found, verdict, unknown, limits_basis),
    )


def _compared(
    quantity: Quantity,
    levels: Levels,
    value: float | None,
    relative: float | None,
    unknown: int,
) -> Comparison:
    return compare(quantity, levels, value=value, uncertainty=relative, unknown=unknown)


def _told(one: Comparison) -> DoseComparison:
    return DoseComparison(
        quantity=one.quantity,
        value=one.value,
        upper_value=one.upper_value,
        notify=one.levels.notify,
        alert=one.levels.alert,
        verdict=DoseVerdict(one.verdict.value),
        possible_verdict=DoseVerdict(one.possible_verdict.value),
    )


_UNITS = {"kerma_mgy": "mGy", "kap_mgycm2": "mGy·cm²"}
_GRAVITY = list(Verdict)
_HEADS = {
    Verdict.WITHIN: "below the notify level",
    Verdict.NOTIFY: "at or above the notify level",
    Verdict.ALERT: "at or above the alert level: have it looked at",
    Verdict.UNKNOWN: "unknown against the levels",
}


def _words(
    period: PeriodLimits,
    studies: int,
    found: list[Comparison],
    verdict: Verdict,
    unknown: int,
    limits_basis: str,
) -> str:
    whose = "invented default levels" if limits_basis == "invented" else "the group's levels"
    count = "1 study" if studies == 1 else f"{studies} studies"
    head = f"This patient, {count} here in {period.days} days: {_HEADS[verdict]} ({whose})"
    figures = "; ".join(
        f"{'unknown' if c.value is None else f'{c.value:.3g}'} of {c.levels.notify:g} "
        f"{_UNITS[c.quantity]}"
        for c in found
    )
    lines = [f"{head}: {figures}." if figures else f"{head}."]
    # Of one quantity the verdict may be lower than what another's uncertainty reaches.
    worst = max((c.possible_verdict for c in found), key=_GRAVITY.index, default=Verdict.UNKNOWN)
    if worst in {Verdict.NOTIFY, Verdict.ALERT} and _GRAVITY.index(worst) > _GRAVITY.index(verdict):
        lines.append(f"With its uncertainty (k = 2) it may reach the {worst} level.")
    if unknown:
        lines.append(f"{unknown} of unknown dose in no sum.")
    return " ".join(lines)
