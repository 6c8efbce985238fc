"""What the lead sees: rates, missing views, deviations and doses, by one thing at a time.

Whole months come from the months' sums, for one site or for a thousand; the days before and behind
them, and questions with a further condition, from the days' sums, of a few sites at a time.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum
from typing import Any, Final

from sqlalchemy import BigInteger, Connection, Select, cast, func, literal, select

from schemas.errors import InvalidInput
from schemas.quality.rates import Trend, trend_of
from services.console.lead.figure_lines import FigureLine, line_of
from services.console.lead.tables import FIGURES_SITE, FIGURES_SITE_DAY, SITE_COUNTS
from services.console.tables import (
    COUNTS,
    FIGURES_DAY,
    FIGURES_MONTH,
    REJECTS_DAY,
    WHOLE_GROUP,
    end_of_month,
    month_of,
)

MOST_SITE_DAYS: Final = 600
"""So many days, counted for each site, are summed within the time that a page may take: a year of
one site, a month of twenty. The number is invented."""

_DAY: Final = timedelta(days=1)


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
        return self.first.day == 1 and (self.last + _DAY).day == 1

    @property
    def by_months(self) -> bool:
        """Tell whether the months' sums answer it; if not, single days have to be summed."""
        return self.whole_months and not self.only

    @property
    def parts(self) -> tuple["Asked", ...]:
        """Part what the months' sums answer from the days before and behind; in their order."""
        begin = self.first if self.first.day == 1 else end_of_month(self.first) + _DAY
        end = self.last if (self.last + _DAY).day == 1 else month_of(self.last) - _DAY
        if self.only or begin > end:
            return (self,)
        spans = ((self.first, begin - _DAY), (begin, end), (end + _DAY, self.last))
        return tuple(
            replace(self, first=first, last=last) for first, last in spans if first <= last
        )


_ONLY = {"operator", "device", "view", "species"}


def figures_by(
    connection: Connection, asked: Asked, by: By, counts: Sequence[str] = COUNTS
) -> tuple[FigureLine, ...]:
    """Sum the figures of each, the one with the most images first; times in their order.

    ``counts`` are those that are summed; the others stand as none. Summing a few takes a part of
    the time. An operator or device of a site has no meaning at another, so either wants one site.
    Raises InvalidInput where too many days would have to be summed.
    """
    sums = sums_by(connection, asked, by, counts)
    return _in_order(by, (line_of(name, told) for name, told in sums.items()))


def sums_by(
    connection: Connection, asked: Asked, by: By, counts: Sequence[str]
) -> dict[str, dict[str, int]]:
    """Give the bare sums that ``figures_by`` makes lines of, by name. Raises InvalidInput too."""
    if by in {By.OPERATOR, By.DEVICE} and (asked.sites is None or len(asked.sites) != 1):
        raise InvalidInput("sites", str(asked.sites), f"one site, to show it by {by}")
    # Times are all months or all days; whatever else is added up of both.
    parts = (asked,) if by is By.TIME else asked.parts
    return _added_up(connection, [_part(part, by, counts) for part in _of_few_days(asked, parts)])


def named_lines(
    connection: Connection, asked: Asked, by: By, names: Sequence[str]
) -> tuple[FigureLine, ...]:
    """Give these lines of ``figures_by``: some sites, or times that follow each other."""
    if by is By.SITE:
        return figures_by(connection, replace(asked, sites=tuple(names)), by)
    first, last = date.fromisoformat(names[0]), date.fromisoformat(names[-1])
    if asked.by_months:
        return figures_by(connection, replace(asked, first=first, last=end_of_month(last)), by)
    days = replace(asked, first=first, last=last)
    sums = _added_up(connection, [_days(days, by, COUNTS)])
    return _in_order(by, (line_of(name, told) for name, told in sums.items()))


def _in_order(by: By, lines: Iterable[FigureLine]) -> tuple[FigureLine, ...]:
    if by is By.TIME:
        return tuple(sorted(lines, key=lambda line: line.name))
    return tuple(sorted(lines, key=lambda line: (-line.images, line.name)))


def _added_up(connection: Connection, queries: Sequence[Select[Any]]) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for query in queries:
        for row in connection.execute(query).mappings():
            told = {name: int(number or 0) for name, number in row.items() if name != "name"}
            name = row["name"]
            known = found.setdefault(name.isoformat() if isinstance(name, date) else name, told)
            if known is not told:
                known |= {count: known[count] + number for count, number in told.items()}
    return found


def reject_reasons(connection: Connection, asked: Asked) -> dict[str, int]:
    """Count rejected images by reason, the most frequent first. Raises InvalidInput."""
    queries = [_reasons(part) for part in _of_few_days(asked, asked.parts)]
    found = _added_up(connection, queries)
    counted = [(reason, told["rejected"]) for reason, told in found.items()]
    return dict(sorted(counted, key=lambda item: (-item[1], item[0])))


def reject_trend(connection: Connection, asked: Asked) -> Trend | None:
    """Test whether the share of rejects rises or falls with the months. Raises InvalidInput."""
    counts = ("images", "rejected")
    queries = [_part(part, By.TIME, counts) for part in _of_few_days(asked, asked.parts)]
    months: dict[int, tuple[int, int]] = {}
    for name, told in _added_up(connection, queries).items():
        day = date.fromisoformat(name)
        month = day.year * 12 + day.month - 1
        rejected, images = months.get(month, (0, 0))
        months[month] = (rejected + told["rejected"], images + told["images"])
    return trend_of(months)


def _of_few_days(asked: Asked, parts: Sequence[Asked]) -> Sequence[Asked]:
    days = sum((one.last - one.first).days + 1 for one in parts if not one.by_months)
    if days and (asked.sites is None or len(asked.sites) * days > MOST_SITE_DAYS):
        raise InvalidInput(
            "period",
            f"{asked.first} to {asked.last}",
            f"whole months and no further condition, or {MOST_SITE_DAYS} days over all sites",
        )
    return parts


def _part(asked: Asked, by: By, counts: Sequence[str]) -> Select[Any]:
    return _months(asked, by, counts) if asked.by_months else _days(asked, by, counts)


def _reasons(asked: Asked) -> Select[Any]:
    if asked.by_months:
        own = FIGURES_MONTH.c
        counted: Select[Any] = select(own.name.label("name"), *_sums(own, ("rejected",)))
        return _of_months(counted, asked, "reason").group_by(own.name)
    days = REJECTS_DAY.c
    rejected = cast(func.sum(days.images), BigInteger).label("rejected")
    counted = select(days.reason.label("name"), rejected)
    return _of_days(counted, REJECTS_DAY, asked).group_by(days.reason)


def _sums(own: Any, counts: Sequence[str]) -> list[Any]:
    """Sum as whole numbers: PostgreSQL makes a numeric of a sum, which is slow to read."""
    return [cast(func.sum(own[name]), BigInteger).label(name) for name in counts]


def _months(asked: Asked, by: By, counts: Sequence[str]) -> Select[Any]:
    if by is By.SITE and asked.sites is None and set(counts) <= set(SITE_COUNTS):
        sites = FIGURES_SITE.c
        query: Select[Any] = select(sites.site.label("name"), *_sums(sites, counts))
        within = (sites.month >= asked.first, sites.month <= asked.last)
        return query.where(*within).group_by(sites.site)
    own = FIGURES_MONTH.c
    key: Any = {By.ALL: literal("all"), By.SITE: own.site, By.TIME: own.month}.get(by, own.name)
    kept = by.value if by in {By.OPERATOR, By.DEVICE, By.VIEW, By.SPECIES} else "all"
    query = select(key.label("name"), *_sums(own, counts))
    query = _of_months(query, asked, kept, each_site=by is By.SITE)
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
    of_site = by in {By.ALL, By.TIME, By.SITE} and not asked.only
    table = FIGURES_SITE_DAY if of_site else FIGURES_DAY
    own = table.c
    sums = _sums(own, counts)
    if by is By.ALL:
        whole: Any = select(literal("all").label("name"), *sums)
        return _of_days(whole, table, asked)
    key = own.day if by is By.TIME else own[by.value]
    return _of_days(select(key.label("name"), *sums), table, asked).group_by(key)


def _of_days(query: Select[Any], table: Any, asked: Asked) -> Select[Any]:
    query = query.where(
        table.c.site.in_(asked.sites or ()), table.c.day >= asked.first, table.c.day <= asked.last
    )
    for name, value in sorted(asked.only.items()):
        query = query.where(table.c[name] == value)
    return query
