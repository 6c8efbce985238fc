"""What the lead sees: rates, missing views, deviations and doses, by one thing at a time.

Whole months come from the months' sums, for one site or for a thousand. Other periods, and
questions with a further condition, come from the days' sums, of a few sites at a time.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from typing import Any, Final

from sqlalchemy import Connection, Select, func, literal, select

from schemas.errors import InvalidInput
from schemas.quality.rates import Rate, Trend, rate, trend_of
from services.console.dose_bins import BIN_COLUMNS, quantile_mgy
from services.console.tables import COUNTS, FIGURES_DAY, FIGURES_MONTH, REJECTS_DAY, WHOLE_GROUP

MOST_SITE_DAYS: Final = 600
"""So many days, counted for each site, are summed within the time that a page may take: a year of
one site, a month of twenty. The number is invented."""

_NANO: Final = 1_000_000


class By(StrEnum):
    """``TIME``: by the month, or by the day where single days are summed."""

    ALL = "all"
    SITE = "site"
    TIME = "time"
    OPERATOR = "operator"
    DEVICE = "device"
    VIEW = "view"
    SPECIES = "species"


@dataclass(frozen=True, slots=True)
class Asked:
    """A period, sites (None: the whole group), and what else has to hold.

    ``only`` may name operator, device, view and species.
    """

    first: date
    last: date
    sites: tuple[str, ...] | None = None
    only: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise InvalidInput("last", self.last.isoformat(), f"{self.first} or later")
        unknown = sorted(set(self.only) - _ONLY)
        if unknown:
            raise InvalidInput("only", unknown[0], f"one of {', '.join(sorted(_ONLY))}")

    @property
    def whole_months(self) -> bool:
        return self.first.day == 1 and (self.last + timedelta(days=1)).day == 1


_ONLY = {"operator", "device", "view", "species"}


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


def figures_by(
    connection: Connection, asked: Asked, by: By, counts: Sequence[str] = COUNTS
) -> tuple[FigureLine, ...]:
    """Sum the figures of each, the one with the most images first; times in their order.

    ``counts`` are those that are summed; the others stand as none. Summing a few takes a part of
    the time. An operator or device of a site has no meaning at another, so either wants one site.
    Raises InvalidInput where too many days would have to be summed.
    """
    if by in {By.OPERATOR, By.DEVICE} and (asked.sites is None or len(asked.sites) != 1):
        raise InvalidInput("sites", str(asked.sites), f"one site, to show it by {by}")
    query = (
        _months(asked, by, counts)
        if asked.whole_months and not asked.only
        else _days(_of_few_days(asked), by, counts)
    )
    lines = [_line(dict(row)) for row in connection.execute(query).mappings()]
    if by is By.TIME:
        return tuple(sorted(lines, key=lambda line: line.name))
    return tuple(sorted(lines, key=lambda line: (-line.images, line.name)))


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
    return _line({**sums, "name": By.ALL.value})


def reject_reasons(connection: Connection, asked: Asked) -> dict[str, int]:
    """Count rejected images by reason, the most frequent first. Raises InvalidInput."""
    if asked.whole_months and not asked.only:
        own = FIGURES_MONTH.c
        rejected = func.sum(own.rejected).label("rejected")
        query = _of_months(select(own.name, rejected), asked, "reason").group_by(own.name)
    else:
        days = REJECTS_DAY.c
        counted: Select[Any] = select(days.reason, func.sum(days.images))
        query = _of_days(counted, REJECTS_DAY, _of_few_days(asked)).group_by(days.reason)
    found = [(str(reason), int(number)) for reason, number in connection.execute(query)]
    return dict(sorted(found, key=lambda item: (-item[1], item[0])))


def reject_trend(times: Sequence[FigureLine]) -> Trend | None:
    """Test whether the share of rejects rises or falls with the months, given figures by time."""
    months: dict[int, tuple[int, int]] = {}
    for line in times:
        day = date.fromisoformat(line.name)
        rejected, images = months.get(day.year * 12 + day.month - 1, (0, 0))
        counted = (rejected + line.rejects.count, images + line.images)
        months[day.year * 12 + day.month - 1] = counted
    return trend_of(months)


def _of_few_days(asked: Asked) -> Asked:
    days = (asked.last - asked.first).days + 1
    if asked.sites is None or len(asked.sites) * days > MOST_SITE_DAYS:
        raise InvalidInput(
            "period",
            f"{asked.first} to {asked.last}",
            f"whole months and no further condition, or {MOST_SITE_DAYS} days over all sites",
        )
    return asked


def _months(asked: Asked, by: By, counts: Sequence[str]) -> Select[Any]:
    own = FIGURES_MONTH.c
    sums = [func.sum(own[name]).label(name) for name in counts]
    key: Any = {By.ALL: literal("all"), By.SITE: own.site, By.TIME: own.month}.get(by, own.name)
    kept = by.value if by in {By.OPERATOR, By.DEVICE, By.VIEW, By.SPECIES} else "all"
    query = _of_months(select(key.label("name"), *sums), asked, kept, each_site=by is By.SITE)
    return query if by is By.ALL else query.group_by(key)


def _of_months(
    query: Select[Any], asked: Asked, kept: str, *, each_site: bool = False
) -> Select[Any]:
    own = FIGURES_MONTH.c
    query = query.where(own.by == kept, own.month >= asked.first, own.month <= asked.last)
    if asked.sites is not None:
        return query.where(own.site.in_(asked.sites))
    # An empty name sorts before all others, so this is a range of the index.
    return query.where(own.site > WHOLE_GROUP if each_site else own.site == WHOLE_GROUP)


def _days(asked: Asked, by: By, counts: Sequence[str]) -> Select[Any]:
    own = FIGURES_DAY.c
    sums = [func.sum(own[name]).label(name) for name in counts]
    if by is By.ALL:
        whole: Any = select(literal("all").label("name"), *sums)
        return _of_days(whole, FIGURES_DAY, asked)
    key = own.day if by is By.TIME else own[by.value]
    return _of_days(select(key.label("name"), *sums), FIGURES_DAY, asked).group_by(key)


def _of_days(query: Select[Any], table: Any, asked: Asked) -> Select[Any]:
    query = query.where(
        table.c.site.in_(asked.sites or ()), table.c.day >= asked.first, table.c.day <= asked.last
    )
    for name, value in sorted(asked.only.items()):
        query = query.where(table.c[name] == value)
    return query


def _line(row: Mapping[str, Any]) -> FigureLine:
    told = {name: int(row.get(name) or 0) for name in COUNTS}
    bins = tuple(told[name] for name in BIN_COLUMNS)
    name = row["name"]
    return FigureLine(
        name=name.isoformat() if isinstance(name, date) else str(name),
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
