"""All that a report on the doses of a period says, from columns of exposures. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from services.assessment.dose_columns import DoseColumns
from services.assessment.dose_periods import By, GroupDose, doses_of, groups_of
from services.assessment.dose_plots import Point, ViewSpread
from services.assessment.dose_typical import room_values
from services.assessment.typical_values import LocalLevel, TypicalValue, by_kind

LEAST_OF_A_POINT: Final = 10
"""Fewer exposures make no point of a trend: a choice of ours, no published source."""
_MOST_WEEKS: Final = 104


@dataclass(frozen=True, slots=True)
class Overview:
    """``training`` counts the exposures of training studies, which are left out of all else."""

    training: int
    groups: tuple[GroupDose, ...]
    typical: dict[tuple[str, str], tuple[tuple[TypicalValue, ...], LocalLevel]]


def overview(columns: DoseColumns, by: By | None) -> Overview:
    """Sum up a period, without its training studies."""
    counted = columns.only(~columns.training)
    return Overview(
        training=int(columns.training.sum()),
        groups=doses_of(counted, by),
        typical=by_kind(room_values(counted), "mGy"),
    )


def by_site_and_month(columns: DoseColumns, by: By | None) -> Iterator[tuple[str, str, GroupDose]]:
    """Give the groups of each site and month by themselves, without training studies."""
    counted = columns.only(~columns.training)
    if not len(counted):
        return
    months, month_names = groups_of(counted, By.MONTH)
    sites, site_names = groups_of(counted, By.SITE)
    for site in sorted(set(sites.tolist()), key=lambda number: site_names[number]):
        for month in range(len(month_names)):
            some = counted.only((sites == site) & (months == month))
            for one in doses_of(some, by):
                yield site_names[site], month_names[month], one


def trend_points(columns: DoseColumns) -> tuple[list[Point], str]:
    """Give the medians of exposures that ran their time and were no repeats, by ISO week, or by
    month where the period is longer than two years; and which of both."""
    chosen = (
        columns.summed
        & ~columns.training
        & ~columns.ended_early
        & ~columns.repeat
        & ~np.isnan(columns.kerma_mgy)
    )
    counted = columns.only(chosen)
    if not len(counted):
        return [], "week"
    weekly = int(counted.day.max() - counted.day.min()) <= 7 * _MOST_WEEKS
    days, of_day = np.unique(counted.day, return_inverse=True)
    form = "%G-W%V" if weekly else "%Y-%m"
    names, of_name = np.unique(
        [date.fromordinal(int(day)).strftime(form) for day in days], return_inverse=True
    )
    group = of_name[of_day]
    points = []
    for number, name in enumerate(names):
        values = counted.kerma_mgy[group == number]
        if len(values) >= LEAST_OF_A_POINT:
            points.append(Point(str(name), float(np.median(values)), len(values)))
    return points, "week" if weekly else "month"


def view_spreads(columns: DoseColumns) -> list[ViewSpread]:
    """Give the spread of single exposures by view and size of animal."""
    counted = columns.only(~columns.training)
    found = []
    for number, size in enumerate(counted.names["size"]):
        some = counted.only(np.equal(counted.codes["size"], number))
        found += [
            ViewSpread(one.group, size, one.kerma_of_one_mgy)
            for one in doses_of(some, By.VIEW)[1:]
            if one.kerma_of_one_mgy is not None
        ]
    return found
