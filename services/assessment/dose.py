"""The dose of a study: its exposures summed, and set against the group's limits.

A doubtful figure is in no sum: a verdict with any left out is never 'within', and what they would
come to as told is its possible verdict.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from schemas.errors import InvalidInput
from schemas.limits import DoseLimits
from schemas.outputs import SpectrumModel
from services.assessment.dose_plausibility import doubts_of
from services.assessment.dose_sums import DoseSum, ExposureDose, sum_doses
from services.assessment.dose_verdict import Comparison, Verdict, compare, overall
from services.assessment.exposure_technique import ExposureTechnique, TubeGeometry
from services.assessment.kerma import estimate
from services.assessment.memory import Remembered

__all__ = ["CAUTION", "DoseSum", "ExposureDose", "StudyDose", "assess_dose", "sum_doses"]

CAUTION: Final = (
    "Estimated beam quantities: no measurement on the patient and not a dosimeter. "
    "The local code and licensed practice decide."
)


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
    doses = doses_of(exposures, tubes, model)
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


def doses_of(
    exposures: Iterable[ExposureTechnique],
    tubes: Mapping[str, TubeGeometry],
    model: SpectrumModel | None,
) -> tuple[ExposureDose, ...]:
    """Estimate each of some exposures, by ``fact_id``. Raises InvalidInput as ``assess_dose``."""
    return tuple(
        _dose(technique, tubes.get(technique.tube, _NOTHING_KNOWN), model)
        for technique in _each_once(exposures)
    )


def _each_once(exposures: Iterable[ExposureTechnique]) -> list[ExposureTechnique]:
    by_id: dict[str, ExposureTechnique] = {}
    for technique in exposures:
        known = by_id.setdefault(technique.fact_id, technique)
        if known != technique:
            raise InvalidInput(
                "fact_id", technique.fact_id, "one exposure per fact_id; two differ under this one"
            )
    return [by_id[fact_id] for fact_id in sorted(by_id)]


_NOTHING_KNOWN: Final = TubeGeometry()
_ESTIMATED: Remembered[
    tuple[ExposureTechnique, int], tuple[TubeGeometry, SpectrumModel | None], ExposureDose
] = Remembered(most=10_000)
"""A study is assessed anew for each fact, and of most of its exposures nothing has changed. By
the exposure and which object its tube is; the tube and the model are compared."""


def _dose(
    technique: ExposureTechnique, tube: TubeGeometry, model: SpectrumModel | None
) -> ExposureDose:
    return _ESTIMATED.get(
        (technique, id(tube)), (tube, model), lambda: _estimated(technique, tube, model)
    )


def _estimated(
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


def _why_unknown(total: DoseSum) -> str:
    why = []
    if total.kerma_unknown or total.kap_unknown or not total.exposures:
        why.append("not every exposure told enough")
    if total.kerma_doubtful or total.kap_doubtful:
        why.append("a figure is doubtful")
    return " and ".join(why) or "not every exposure told enough"


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
        Verdict.UNKNOWN: f"Unknown against {whose}: {_why_unknown(total)}.",
    }[verdict]
    # One line a quantity for the study; of single exposures only those that need a look.
    lines = [c.words for c in comparisons if c.fact_id is None or c.verdict is not Verdict.WITHIN]
    return (head, *lines, CAUTION)
