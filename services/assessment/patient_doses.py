"""Studies completed with what their patients got before: the only place where one study's
conclusion rests on another's.

Every study tells the sum over its patient's period. So where one study's dose, day or patient
changes, the later studies of that patient (and of the one that it was before) are told anew. All
that is under a lock on the patient, taken after those on room-days, so what is told in the end
does not depend on which study was assessed first.

Left out: studies at other sites; and a change of the group's levels or days reaches a study when
it is assessed next, as that of any rule does.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from schemas.conclusions import StudyAssessed
from schemas.limits import PeriodLimits
from services.assessment import dose_ledger, store
from services.assessment.counting import Fact
from services.assessment.dose_rolling import counts_for, with_patient_period
from services.assessment.dose_rows import PatientDose, patient_dose, row_of
from services.assessment.room_day import RoomDay
from services.assessment.rules import Rules
from services.runtime.worker import Work


@dataclass(frozen=True, slots=True)
class Told:
    """A study as it is assessed, where, and the fact that gave rise to it."""

    where: RoomDay
    study: StudyAssessed
    cause: Fact | None


def completed(work: Work, told: Sequence[Told], rules: Mapping[str, Rules]) -> list[Told]:
    """Complete studies, and add the later ones that they change. Keeps the doses' rows."""
    now = {_key(one): patient_dose(one.study) for one in told}
    before = dose_ledger.doses_of_studies(work.connection, now)
    patients = {
        (site, dose.patient_id) for doses in (now, before) for (site, _), dose in doses.items()
    }
    work.lock_all(f"assessment-dose:{site}:{patient}" for site, patient in sorted(patients))
    rows = [(one.where.site, row_of(one.study)) for one in told]
    dose_ledger.write_rows(work.connection, rows)
    summed = {site for site, _ in patients if _period(rules[site]) is not None}
    known = dose_ledger.doses_of_patients(
        work.connection, {(site, patient) for site, patient in patients if site in summed}
    )
    done: list[Told] = []
    for site in sorted({one.where.site for one in told}):
        own = _OfSite(
            told=[one for one in told if one.where.site == site],
            now={uid: dose for (of, uid), dose in now.items() if of == site},
            before={uid: dose for (of, uid), dose in before.items() if of == site},
            known=[dose for of, dose in known if of == site],
        )
        done += _completed_at(work, site, own, rules[site])
    return done


@dataclass(frozen=True, slots=True)
class _OfSite:
    """Studies of one site; their doses now and before, by UID; all doses of their patients."""

    told: Sequence[Told]
    now: Mapping[str, PatientDose]
    before: Mapping[str, PatientDose]
    known: Sequence[PatientDose]


def _completed_at(work: Work, site: str, own: _OfSite, rules: Rules) -> list[Told]:
    period = _period(rules)
    if period is None:
        return [replace(one, study=with_patient_period(one.study, (), None)) for one in own.told]
    days = [one.day for one in (*own.now.values(), *own.before.values())]
    reach = timedelta(days=period.days - 1)
    first, last = min(days) - reach, max(days) + reach
    around = [one for one in own.known if first <= one.day <= last]
    done = [
        replace(one, study=with_patient_period(one.study, around, rules.limits)) for one in own.told
    ]
    changed = {
        uid: tuple(dose for dose in (own.before.get(uid), dose) if dose is not None)
        for uid, dose in own.now.items()
        if own.before.get(uid) != dose
    }
    causes = {one.study.study_instance_uid: one.cause for one in own.told}
    others = [one for one in around if one.study_instance_uid not in own.now]
    later = _later(others, changed, period)
    kept = store.kept_whole(work.connection, site, later)
    for uid, changed_by in sorted(later.items()):
        if uid in kept:
            where, study = kept[uid]
            study = with_patient_period(study, around, rules.limits)
            done.append(Told(where, study, causes[changed_by]))
    return done


def _key(one: Told) -> tuple[str, str]:
    return one.where.site, one.study.study_instance_uid


def _period(rules: Rules) -> PeriodLimits | None:
    return rules.limits.per_patient_period if rules.limits is not None else None


def _later(
    others: Sequence[PatientDose],
    changed: Mapping[str, tuple[PatientDose, ...]],
    period: PeriodLimits,
) -> dict[str, str]:
    """Tell the studies in whose sums a changed one is or was, each with one that changed it."""
    found: dict[str, str] = {}
    for one in others:
        for uid, doses in changed.items():
            if any(
                dose.patient_id == one.patient_id and counts_for(dose.day, one.day, period.days)
                for dose in doses
            ):
                found.setdefault(one.study_instance_uid, uid)
    return found
