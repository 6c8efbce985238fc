"""One line of the lead's figures, made of bare sums: rates with intervals, doses with quartiles."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from schemas.quality.rates import Rate, rate
from services.console.dose_bins import BIN_COLUMNS, quantile_mgy
from services.console.tables import COUNTS

_NANO: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class Doses:
    """Kerma and area product of the exposures whose dose is known and not doubted.

    ``bins`` are the counts of ``dose_bins``; quartiles are interpolated in them, in mGy.
    """

    known: int
    kerma_mgy: float
    kap_mgycm2: float
    bins: tuple[int, ...]
    lower_quartile_mgy: float | None
    median_mgy: float | None
    upper_quartile_mgy: float | None


@dataclass(frozen=True, slots=True)
class FigureLine:
    """One group's figures. Rates with Wilson's interval at 95 %; of exposures where it says so."""

    name: str
    images: int
    exposures: int
    rejects: Rate
    repeats: Rate
    early_of_exposures: Rate
    deviations_of_exposures: Rate
    missing_views: int
    doses: Doses


def line_of(name: str, sums: Mapping[str, int]) -> FigureLine:
    """Make a line of sums under the names of ``COUNTS``; those that are not there stand as none."""
    told = {count: sums.get(count, 0) for count in COUNTS}
    bins = tuple(told[count] for count in BIN_COLUMNS)
    return FigureLine(
        name=name,
        images=told["images"],
        exposures=told["exposures"],
        rejects=rate(told["rejected"], told["images"]),
        repeats=rate(told["repeats"], told["images"]),
        early_of_exposures=rate(told["ended_early"], told["exposures"]),
        deviations_of_exposures=rate(told["deviations"], told["exposures"]),
        missing_views=told["missing_views"],
        doses=Doses(
            known=told["kerma_known"],
            kerma_mgy=told["kerma_ngy"] / _NANO,
            kap_mgycm2=told["kap_ngycm2"] / _NANO,
            bins=bins,
            lower_quartile_mgy=quantile_mgy(bins, 0.25),
            median_mgy=quantile_mgy(bins, 0.5),
            upper_quartile_mgy=quantile_mgy(bins, 0.75),
        ),
    )


def together(lines: Sequence[FigureLine]) -> FigureLine | None:
    """Add the lines of one question up, whatever they are by; None of nothing.

    It is what ``By.ALL`` gives, without asking again.
    """
    if not lines:
        return None
    sums: Counter[str] = Counter()
    for line in lines:
        sums["images"] += line.images
        sums["exposures"] += line.exposures
        sums["rejected"] += line.rejects.count
        sums["repeats"] += line.repeats.count
        sums["ended_early"] += line.early_of_exposures.count
        sums["deviations"] += line.deviations_of_exposures.count
        sums["missing_views"] += line.missing_views
        sums["kerma_known"] += line.doses.known
        sums["kerma_ngy"] += round(line.doses.kerma_mgy * _NANO)
        sums["kap_ngycm2"] += round(line.doses.kap_mgycm2 * _NANO)
        sums.update(dict(zip(BIN_COLUMNS, line.doses.bins, strict=True)))
    return line_of("all", sums)
