"""The dose of a study: its exposures summed, and set against the group's limits.

A sum of incident air kerma adds fields that fall on different skin, so it is an index of the work
and no skin dose; a sum of kerma-area product is proportional to what reached the patient.

A doubtful figure (one that a question asks about) is in no sum: taken in, one number of a wrong
unit would drown all others, or hide among them. So each sum tells how many it leaves out, a second
one has them as told, a verdict with any left out is never 'within', and what they would come to
as told is its possible verdict.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from schemas.errors import InvalidInput
from schemas.limits import DoseLimits
from schemas.outputs import SpectrumModel
from services.assessment.beam_geometry import LARGEST_FIGURE
from services.assessment.chosen_output import KermaBasis
from services.assessment.dose_doubt import Doubt
from services.assessment.dose_plausibility import doubts_of
from services.assessment.dose_verdict import Comparison, Verdict, compare, overall
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.kerma import AirKerma, KermaAreaProduct, ReferenceKerma, estimate

CAUTION: Final = (
    "Estimated beam quantities: no measurement on the patient and not a dosimeter. "
    "The local code and licensed practice decide."
)


@dataclass(frozen=True, slots=True)
class ExposureDose:
    """One exposure with its dose; ``None`` is unknown, and ``notes`` say why."""

    fact_id: str
    tube: str
    ended_early: bool
    repeat: bool
    kerma: AirKerma | None
    kap: KermaAreaProduct | None
    notes: tuple[str, ...]
    at_reference: ReferenceKerma | None = None
    doubts: tuple[Doubt, ...] = ()

    @property
    def kerma_doubtful(self) -> bool:
        """There is a kerma, and a question asks about what it rests on."""
        return self.kerma is not None and any(doubt.of_kerma for doubt in self.doubts)

    @property
    def kap_doubtful(self) -> bool:
        """There is an area product, and a question asks about what it rests on."""
        return self.kap is not None and any(doubt.of_kap for doubt in self.doubts)


@dataclass(frozen=True, slots=True)
class DoseSum:
    """Sums over some exposures.

    A value is ``None`` where no exposure gave one beyond doubt. Where ``*_unknown`` or
    ``*_doubtful`` is above 0, the value is that of the others only: at least so much was given.
    ``*_with_doubtful_*`` is the sum with the doubtful ones as told.
    """

    exposures: int
    kerma_mgy: float | None
    kerma_relative_standard_uncertainty: float | None
    kerma_bases: tuple[KermaBasis, ...]
    kerma_unknown: int
    kap_mgycm2: float | None
    kap_relative_standard_uncertainty: float | None
    kap_bases: tuple[KermaBasis, ...]
    kap_unknown: int
    kerma_doubtful: int = 0
    kerma_with_doubtful_mgy: float | None = None
    kap_doubtful: int = 0
    kap_with_doubtful_mgycm2: float | None = None


@dataclass(frozen=True, slots=True)
class StudyDose:
    """The dose of a study. ``total`` is the sum of the three parts, each exposure in one."""

    exposures: tuple[ExposureDose, ...]
    total: DoseSum
    completed: DoseSum
    """Ran their set time and were no repeats."""
    repeats: DoseSum
    """Ran their set time, as repeats."""
    ended_early: DoseSum
    """Released early, repeats or not: the dose of the delivered time counts."""
    comparisons: tuple[Comparison, ...]
    verdict: Verdict
    words: tuple[str, ...]


def assess_dose(
    exposures: Iterable[ExposureTechnique],
    tubes: Mapping[str, TubeGeometry],
    *,
    limits: DoseLimits | None,
    model: SpectrumModel | None,
) -> StudyDose:
    """Sum a study's exposures and compare each and the sum with the group's limits.

    The order of ``exposures`` does not matter, and a fact told twice counts once. A tube that
    ``tubes`` does not hold has nothing known, so only what the device reports is used.

    Raises
    ------
    InvalidInput
        Two different exposures carry one ``fact_id``.
    """
    doses = tuple(
        _dose(technique, tubes.get(technique.tube, TubeGeometry()), model)
        for technique in _each_once(exposures)
    )
    total = sum_doses(doses)
    comparisons = _comparisons(doses, total, limits)
    verdict = overall(comparisons)
    return StudyDose(
        exposures=doses,
        total=total,
        completed=sum_doses([d for d in doses if not d.ended_early and not d.repeat]),
        repeats=sum_doses([d for d in doses if not d.ended_early and d.repeat]),
        ended_early=sum_doses([d for d in doses if d.ended_early]),
        comparisons=comparisons,
        verdict=verdict,
        words=_words(total, comparisons, verdict, limits),
    )


def sum_doses(doses: Sequence[ExposureDose]) -> DoseSum:
    """Sum doses with their uncertainty.

    What makes the model, a calibration or a device's indication wrong is the same at every
    exposure of the tube (and the model's error the same at all tubes), so within such a group the
    uncertainties are fully correlated and add up plainly: more exposures do not make the sum more
    certain. Groups are independent and add in quadrature.
    """
    kermas = [
        (d.tube, d.kerma.basis, d.kerma.kerma_mgy, d.kerma.relative_standard_uncertainty)
        for d in doses
        if d.kerma is not None and not d.kerma_doubtful
    ]
    kaps = [
        (d.tube, d.kap.basis, d.kap.kap_mgycm2, d.kap.relative_standard_uncertainty)
        for d in doses
        if d.kap is not None and not d.kap_doubtful
    ]
    told_kermas = [d.kerma.kerma_mgy for d in doses if d.kerma is not None]
    told_kaps = [d.kap.kap_mgycm2 for d in doses if d.kap is not None]
    kerma_mgy, kerma_uncertainty, kerma_bases = _sum(kermas)
    kap_mgycm2, kap_uncertainty, kap_bases = _sum(kaps)
    return DoseSum(
        exposures=len(doses),
        kerma_mgy=kerma_mgy,
        kerma_relative_standard_uncertainty=kerma_uncertainty,
        kerma_bases=kerma_bases,
        kerma_unknown=len(doses) - len(told_kermas),
        kap_mgycm2=kap_mgycm2,
        kap_relative_standard_uncertainty=kap_uncertainty,
        kap_bases=kap_bases,
        kap_unknown=len(doses) - len(told_kaps),
        kerma_doubtful=len(told_kermas) - len(kermas),
        kerma_with_doubtful_mgy=_total(told_kermas) if told_kermas else None,
        kap_doubtful=len(told_kaps) - len(kaps),
        kap_with_doubtful_mgycm2=_total(told_kaps) if told_kaps else None,
    )


def _sum(
    values: Sequence[tuple[str, KermaBasis, float, float]],
) -> tuple[float | None, float | None, tuple[KermaBasis, ...]]:
    if not values:
        return None, None, ()
    total = _total([value for _, _, value, _ in values])
    groups: dict[tuple[str, KermaBasis], list[float]] = {}
    for tube, basis, value, uncertainty in values:
        shared_by = "" if basis is KermaBasis.MODEL else tube
        groups.setdefault((shared_by, basis), []).append(value * uncertainty)
    # Sorted, so that the order of the exposures cannot change the last digit.
    absolute = math.hypot(*sorted(math.fsum(group) for group in groups.values()))
    told = {basis for _, basis, _, _ in values}
    bases = tuple(basis for basis in KermaBasis if basis in told)
    return total, absolute / total if total > 0 else 0.0, bases


def _total(values: Sequence[float]) -> float:
    return math.fsum(min(value, LARGEST_FIGURE) for value in values)


def _each_once(exposures: Iterable[ExposureTechnique]) -> list[ExposureTechnique]:
    by_id: dict[str, ExposureTechnique] = {}
    for technique in exposures:
        known = by_id.setdefault(technique.fact_id, technique)
        if known != technique:
            raise InvalidInput(
                "fact_id", technique.fact_id, "one exposure per fact_id; two differ under this one"
            )
    return [by_id[fact_id] for fact_id in sorted(by_id)]


def _dose(
    technique: ExposureTechnique, tube: TubeGeometry, model: SpectrumModel | None
) -> ExposureDose:
    found = estimate(technique, tube, model)
    return ExposureDose(
        fact_id=technique.fact_id,
        tube=technique.tube,
        ended_early=technique.ended_early,
        repeat=technique.repeat,
        kerma=found.kerma,
        kap=found.kap,
        notes=found.notes,
        at_reference=found.at_reference,
        doubts=doubts_of(technique, tube, model, found),
    )


def _comparisons(
    doses: Sequence[ExposureDose], total: DoseSum, limits: DoseLimits | None
) -> tuple[Comparison, ...]:
    if limits is None or not doses:
        return ()
    found: list[Comparison] = []
    kerma_levels = limits.per_exposure.kerma_mgy
    kap_levels = limits.per_exposure.kap_mgycm2
    for dose in doses:
        if kerma_levels is not None:
            kerma = dose.kerma
            sure = kerma is not None and not dose.kerma_doubtful
            found.append(
                compare(
                    "kerma_mgy",
                    kerma_levels,
                    value=kerma.kerma_mgy if kerma and sure else None,
                    uncertainty=kerma.relative_standard_uncertainty if kerma and sure else None,
                    fact_id=dose.fact_id,
                    doubtful=int(dose.kerma_doubtful),
                    with_doubtful=kerma.kerma_mgy if kerma else None,
                )
            )
        if kap_levels is not None:
            kap = dose.kap
            sure = kap is not None and not dose.kap_doubtful
            found.append(
                compare(
                    "kap_mgycm2",
                    kap_levels,
                    value=kap.kap_mgycm2 if kap and sure else None,
                    uncertainty=kap.relative_standard_uncertainty if kap and sure else None,
                    fact_id=dose.fact_id,
                    doubtful=int(dose.kap_doubtful),
                    with_doubtful=kap.kap_mgycm2 if kap else None,
                )
            )
    if limits.per_study.kerma_mgy is not None:
        found.append(
            compare(
                "kerma_mgy",
                limits.per_study.kerma_mgy,
                value=total.kerma_mgy,
                uncertainty=total.kerma_relative_standard_uncertainty,
                unknown=total.kerma_unknown,
                doubtful=total.kerma_doubtful,
                with_doubtful=total.kerma_with_doubtful_mgy,
            )
        )
    if limits.per_study.kap_mgycm2 is not None:
        found.append(
            compare(
                "kap_mgycm2",
                limits.per_study.kap_mgycm2,
                value=total.kap_mgycm2,
                uncertainty=total.kap_relative_standard_uncertainty,
                unknown=total.kap_unknown,
                doubtful=total.kap_doubtful,
                with_doubtful=total.kap_with_doubtful_mgycm2,
            )
        )
    return tuple(found)


def _words(
    total: DoseSum,
    comparisons: Sequence[Comparison],
    verdict: Verdict,
    limits: DoseLimits | None,
) -> tuple[str, ...]:
    """Say the verdict first, then what it rests on, then the caution."""
    if total.exposures == 0:
        return ("No exposure was told for this study, so its dose is unknown.", CAUTION)
    if limits is None:
        return ("The group has set no limit, so no verdict is given.", CAUTION)
    if not comparisons:
        return (f"The limits '{limits.name}' hold no level, so no verdict is given.", CAUTION)
    whose = "the invented default limits" if limits.basis == "invented" else "the group's limits"
    head = {
        Verdict.WITHIN: f"Below the notify level of {whose}.",
        Verdict.NOTIFY: f"At or above the notify level of {whose}.",
        Verdict.ALERT: f"At or above the alert level of {whose}: have it looked at.",
        Verdict.UNKNOWN: f"Unknown against {whose}: not every exposure told enough.",
    }[verdict]
    # One line a quantity for the study; of single exposures only those that need a look.
    lines = [c.words for c in comparisons if c.fact_id is None or c.verdict is not Verdict.WITHIN]
    return (head, *lines, CAUTION)
