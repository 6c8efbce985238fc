"""Doses of single exposures, and their sums with uncertainty.

A sum of incident air kerma adds fields that fall on different skin, so it is an index of the work
and no skin dose; a sum of kerma-area product is proportional to what reached the patient.

A doubtful figure (one that a question asks about) is in no sum: taken in, one number of a wrong
unit would drown all others, or hide among them. So each sum tells how many it leaves out, a second
one has them as told, a verdict with any left out is never 'within', and what they would come to
as told is its possible verdict.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from services.assessment.beam_geometry import LARGEST_FIGURE
from services.assessment.chosen_output import KermaBasis
from services.assessment.dose_doubt import Doubt
from services.assessment.kerma import AirKerma, KermaAreaProduct, ReferenceKerma


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
