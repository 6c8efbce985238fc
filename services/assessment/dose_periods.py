"""The doses of a period by site, room, operator, device, view, size, month or patient.

Pure, over columns of numpy: sums with the parts of repeats and early terminations, medians with
their interval, both with the uncertainty of the figures that they rest on.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from statistics import NormalDist
from typing import Final

import numpy as np
import numpy.typing as npt

from schemas.conclusions import DoseBasis
from services.assessment.dose_columns import BASES, Codes, DoseColumns, Figures, Flags

CONFIDENCE: Final = 0.95
_Z: Final = NormalDist().inv_cdf(0.5 + CONFIDENCE / 2)
ALL: Final = "all"


class By(StrEnum):
    """What the doses may be parted by."""

    SITE = "site"
    ROOM = "room"
    OPERATOR = "operator"
    DEVICE = "device"
    VIEW = "view"
    SIZE = "size"
    MONTH = "month"
    PATIENT = "patient"


_COLUMN: Final = {
    By.SITE: "site",
    By.ROOM: "room",
    By.OPERATOR: "operator",
    By.DEVICE: "generator",
    By.VIEW: "view",
    By.SIZE: "size",
    By.PATIENT: "patient",
}


@dataclass(frozen=True, slots=True)
class Part:
    """Some exposures and their sums in mGy and mGy·cm²; those without a figure are in no sum."""

    exposures: int
    kerma_mgy: float
    kap_mgycm2: float


@dataclass(frozen=True, slots=True)
class Spread:
    """Median and quartiles of single figures, with the median's interval at 95 %.

    The interval is of the order statistics, from the normal approximation of the binomial
    (from memory); it tells how few figures there are, and not how wrong they may be.
    """

    count: int
    lower_quartile: float
    median: float
    upper_quartile: float
    median_low: float
    median_high: float


@dataclass(frozen=True, slots=True)
class GroupDose:
    """One group's doses. ``total`` is the sum of the three parts, each exposure in one.

    ``relative_uncertainty`` is standard (k = 1), of the sum of kerma, and as good as that of a
    median: what makes figures of one tube and basis wrong is the same in all of them.
    """

    group: str
    studies: int
    patients: int
    waiting: int
    unknown_kerma: int
    unknown_kap: int
    total: Part
    completed: Part
    repeats: Part
    ended_early: Part
    relative_uncertainty: float | None
    bases: tuple[DoseBasis, ...]
    kerma_of_one_mgy: Spread | None
    kerma_of_a_study_mgy: Spread | None


def doses_of(columns: DoseColumns, by: By | None = None) -> tuple[GroupDose, ...]:
    """Give the doses of all exposures first, then of each group, by its name."""
    everything = np.zeros(len(columns), dtype=np.int32)
    found = list(_groups(columns, everything, (ALL,)))
    if by is not None and len(columns):
        codes, names = groups_of(columns, by)
        found += sorted(_groups(columns, codes, names), key=lambda one: one.group)
    return tuple(found)


def groups_of(columns: DoseColumns, by: By) -> tuple[Codes, tuple[str, ...]]:
    """Give each exposure's group as a number, and the groups' names."""
    if by is not By.MONTH:
        name = _COLUMN[by]
        return columns.codes[name], columns.names[name]
    days, of_day = np.unique(columns.day, return_inverse=True)
    months = [date.fromordinal(int(day)).strftime("%Y-%m") for day in days]
    names = tuple(sorted(set(months)))
    number = {month: i for i, month in enumerate(names)}
    of_month = np.array([number[month] for month in months], dtype=np.int32)
    return of_month[of_day], names


def _groups(columns: DoseColumns, codes: Codes, names: tuple[str, ...]) -> Iterator[GroupDose]:
    if not len(columns):
        return
    count = len(names)
    summed, early = columns.summed, columns.ended_early
    repeat = columns.repeat & ~early
    parts = {
        "total": summed,
        "completed": summed & ~early & ~repeat,
        "repeats": summed & repeat,
        "ended_early": summed & early,
    }
    sums = {name: _parts(columns, codes, chosen, count) for name, chosen in parts.items()}
    waiting = np.bincount(codes[~summed], minlength=count)
    no_kerma = np.bincount(codes[summed & np.isnan(columns.kerma_mgy)], minlength=count)
    no_kap = np.bincount(codes[summed & np.isnan(columns.kap_mgycm2)], minlength=count)
    uncertain = _uncertainties(columns, codes, count)
    bases = _bases(columns, codes, count)
    studies = _distinct(codes, columns.study, count)
    patients = _distinct(codes, columns.codes["patient"], count)
    singles = _spreads(codes[summed], columns.kerma_mgy[summed], count)
    whole = _spreads(*_by_study(columns, codes), count)
    present = np.bincount(codes, minlength=count) > 0
    for i in np.flatnonzero(present):
        yield GroupDose(
            group=names[i],
            studies=int(studies[i]),
            patients=int(patients[i]),
            waiting=int(waiting[i]),
            unknown_kerma=int(no_kerma[i]),
            unknown_kap=int(no_kap[i]),
            total=sums["total"][i],
            completed=sums["completed"][i],
            repeats=sums["repeats"][i],
            ended_early=sums["ended_early"][i],
            relative_uncertainty=uncertain[i],
            bases=bases[i],
            kerma_of_one_mgy=singles[i],
            kerma_of_a_study_mgy=whole[i],
        )


def _parts(columns: DoseColumns, codes: Codes, chosen: Flags, count: int) -> list[Part]:
    of = codes[chosen]
    numbers = np.bincount(of, minlength=count)
    kerma = np.bincount(of, np.nan_to_num(columns.kerma_mgy[chosen]), count)
    kap = np.bincount(of, np.nan_to_num(columns.kap_mgycm2[chosen]), count)
    return [Part(int(numbers[i]), float(kerma[i]), float(kap[i])) for i in range(count)]


def _uncertainties(columns: DoseColumns, codes: Codes, count: int) -> list[float | None]:
    """Add within a tube and basis plainly (the model's over all tubes), beyond that in quadrature,
    as ``dose.sum_doses`` does for one study."""
    known = columns.summed & ~np.isnan(columns.kerma_mgy)
    if not known.any():
        return [None] * count
    of, kerma = codes[known], columns.kerma_mgy[known]
    absolute = kerma * np.nan_to_num(columns.relative_uncertainty[known])
    basis = columns.basis[known]
    tubes = len(columns.names["generator"])
    tube = np.where(basis == BASES.index(DoseBasis.MODEL), 0, columns.codes["generator"][known] + 1)
    kinds = len(BASES) * (tubes + 1)
    kind = basis.astype(np.int64) * (tubes + 1) + tube
    together = np.bincount(of * kinds + kind, absolute, count * kinds).reshape(count, kinds)
    total = np.bincount(of, kerma, count)
    squared = np.sqrt((together**2).sum(axis=1))
    return [float(squared[i] / total[i]) if total[i] > 0 else None for i in range(count)]


def _bases(columns: DoseColumns, codes: Codes, count: int) -> list[tuple[DoseBasis, ...]]:
    known = columns.summed & ~np.isnan(columns.kerma_mgy)
    pairs = codes[known].astype(np.int64) * len(BASES) + columns.basis[known]
    seen = np.bincount(pairs, minlength=count * len(BASES)).reshape(count, len(BASES)) > 0
    return [tuple(b for b, told in zip(BASES, row, strict=True) if told) for row in seen]


def _distinct(codes: Codes, other: Codes, count: int) -> npt.NDArray[np.int64]:
    """Count the distinct values of ``other`` in each group."""
    width = int(other.max()) + 1
    pairs = np.unique(codes.astype(np.int64) * width + other)
    return np.bincount(pairs // width, minlength=count)


def _by_study(columns: DoseColumns, codes: Codes) -> tuple[Codes, Figures]:
    """Sum each study within its group; one with an exposure of unknown dose has no sum."""
    chosen = columns.summed
    width = int(columns.study.max()) + 1
    pairs = codes[chosen].astype(np.int64) * width + columns.study[chosen]
    keys, inverse = np.unique(pairs, return_inverse=True)
    totals = np.bincount(inverse, columns.kerma_mgy[chosen], len(keys))
    return (keys // width).astype(np.int32), totals.astype(np.float64)


def _spreads(codes: Codes, values: Figures, count: int) -> list[Spread | None]:
    known = ~np.isnan(values)
    codes, values = codes[known], values[known]
    order = np.lexsort((values, codes))
    codes, values = codes[order], values[order]
    edges = np.searchsorted(codes, np.arange(count + 1))
    return [_spread(values[edges[i] : edges[i + 1]]) for i in range(count)]


def _spread(ordered: Figures) -> Spread | None:
    n = len(ordered)
    if n == 0:
        return None
    quartiles = np.quantile(ordered, [0.25, 0.5, 0.75])
    low, high = median_ranks(n)
    return Spread(
        count=n,
        lower_quartile=float(quartiles[0]),
        median=float(quartiles[1]),
        upper_quartile=float(quartiles[2]),
        median_low=float(ordered[low]),
        median_high=float(ordered[high]),
    )


def median_ranks(n: int) -> tuple[int, int]:
    """Give the places, from 0, of the order statistics that hold the median at 95 %.

    With few values these are the first and the last, and the interval holds less than 95 %.
    """
    half = _Z * math.sqrt(n) / 2.0
    low = max(0, math.floor(n / 2.0 - half) - 1)
    return low, n - 1 - low
