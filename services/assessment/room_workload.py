"""Workload of X-ray sets by week, and what it may come to at marked positions.

Pure. Estimates from published amounts of scatter: not a dosimeter, and a qualified expert decides.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from schemas.protection import MarkedPosition, PublishedProtection, ScatterValue
from services.assessment.beam_geometry import charge_mas
from services.assessment.kerma_uncertainty import interval
from services.assessment.scatter import (
    MSV_PER_MGY_AT_MOST,
    PositionCheck,
    in_the_beam,
    position_checks,
    scatter_ngy,
    scatter_nsv,
)

CAUTION: Final = (
    "An estimate from published values of human heads, not a dosimeter; a qualified expert "
    "decides. It clears neither a room nor a person, and local codes come first."
)
WEEKS_A_YEAR: Final = 52


@dataclass(frozen=True, slots=True)
class Load:
    """One exposure as a load on its room, whoever it was for, tests and training included.

    ``kap_mgycm2`` is None where unknown; its uncertainty is standard (k = 1), relative.
    """

    room: str
    generator: str
    day: date
    tube_kv: float
    tube_current_ma: float
    exposure_ms: float
    kap_mgycm2: float | None
    relative_uncertainty: float | None = None

    @property
    def mas(self) -> float:
        return charge_mas(self.tube_current_ma, self.exposure_ms)


@dataclass(frozen=True, slots=True)
class TubeWorkload:
    """A tube's load over whole weeks. ``kap_*`` are of the exposures with a figure; those without
    are taken as their mean, so that nothing is left out (``unknown_kap`` counts them)."""

    room: str
    generator: str
    exposures: int
    unknown_kap: int
    weeks: float
    ma_min_per_week: float
    ma_min_busiest_week: float
    kap_mgycm2_per_week: float | None
    kap_mgycm2_busiest_day: float | None
    kap_relative_uncertainty: float | None
    most_kv: float


@dataclass(frozen=True, slots=True)
class LimitCompared:
    """An estimate beside a published limit. ``share`` is of the estimate, never a verdict."""

    limit: str
    source: str
    msv_per_year: float
    share: float
    upper_share: float
    hour_words: str | None


@dataclass(frozen=True, slots=True)
class PositionEstimate:
    """What may reach a marked position from the tubes of its room.

    ``msv_per_year`` is None where no estimate holds; ``words`` say why, and what else is to know.
    ``second_msv_per_year`` is by another published amount, from the charge alone.
    """

    position: MarkedPosition
    msv_per_year: float | None
    upper_msv_per_year: float | None
    second_msv_per_year: float | None
    compared: tuple[LimitCompared, ...]
    checks: tuple[PositionCheck, ...]
    words: tuple[str, ...]


def workloads(loads: Iterable[Load], first: date, last: date) -> tuple[TubeWorkload, ...]:
    """Sum the loads of each tube over the days ``first`` to ``last``, both included.

    The mean is over all of that time, weeks without any exposure included; the busiest week is
    one of the calendar (ISO 8601), which at the ends may be cut.
    """
    by_tube: dict[tuple[str, str], list[Load]] = {}
    for load in loads:
        if first <= load.day <= last:
            by_tube.setdefault((load.room, load.generator), []).append(load)
    weeks = ((last - first).days + 1) / 7.0
    return tuple(
        _workload(room, generator, found, weeks)
        for (room, generator), found in sorted(by_tube.items())
    )


def _workload(room: str, generator: str, loads: Sequence[Load], weeks: float) -> TubeWorkload:
    by_week: dict[date, list[float]] = {}
    by_day: dict[date, list[float]] = {}
    known = [load for load in loads if load.kap_mgycm2 is not None]
    mean = math.fsum(load.kap_mgycm2 or 0.0 for load in known) / len(known) if known else None
    for load in loads:
        monday = load.day - timedelta(days=load.day.weekday())
        by_week.setdefault(monday, []).append(load.mas / 60.0)
        kap = load.kap_mgycm2 if load.kap_mgycm2 is not None else mean
        by_day.setdefault(load.day, []).append(kap or 0.0)
    # All of one tube are wrong in the same way, so the largest uncertainty holds for the sum.
    uncertain = [u for load in known if (u := load.relative_uncertainty) is not None]
    total = math.fsum(minutes for week in by_week.values() for minutes in week)
    return TubeWorkload(
        room=room,
        generator=generator,
        exposures=len(loads),
        unknown_kap=len(loads) - len(known),
        weeks=weeks,
        ma_min_per_week=total / weeks,
        ma_min_busiest_week=max(math.fsum(week) for week in by_week.values()),
        kap_mgycm2_per_week=mean * len(loads) / weeks if mean is not None else None,
        kap_mgycm2_busiest_day=(
            max(math.fsum(day) for day in by_day.values()) if mean is not None else None
        ),
        kap_relative_uncertainty=max(uncertain, default=None),
        most_kv=max(load.tube_kv for load in loads),
    )


def estimate_position(
    position: MarkedPosition, tubes: Sequence[TubeWorkload], published: PublishedProtection
) -> PositionEstimate:
    """Estimate what reaches a position in a year from all tubes of its room."""
    own = [tube for tube in tubes if tube.room == position.room]
    by_kap = next(one for one in published.scatter if one.per == "kap")
    by_mas = next(one for one in published.scatter if one.per == "mas")
    checks = (
        tuple(position_checks(position, published.positions)) if position.who == "worker" else ()
    )
    refused = _refused(position, own, by_kap)
    words = _words(own)
    second = None if in_the_beam(position) else _by_charge(position, own, by_mas)
    if refused:
        return PositionEstimate(position, None, None, second, (), checks, (*refused, *words))
    factor = position.occupancy * position.transmission
    year = day = upper_year = upper_day = 0.0
    for tube in own:
        week_ngy = scatter_ngy(tube.kap_mgycm2_per_week or 0.0, position.distance_m, by_kap)
        day_ngy = scatter_ngy(tube.kap_mgycm2_busiest_day or 0.0, position.distance_m, by_kap)
        # nGy to mGy, and 1 mSv taken for 1 mGy.
        tube_year = week_ngy * WEEKS_A_YEAR * factor / 1e6
        # For an hour somebody is taken to be there all the time.
        tube_day = day_ngy * position.transmission / 1e6
        reach = interval(1.0, tube.kap_relative_uncertainty or 0.0)[1] * MSV_PER_MGY_AT_MOST
        year, day = year + tube_year, day + tube_day
        upper_year, upper_day = upper_year + tube_year * reach, upper_day + tube_day * reach
    compared = tuple(
        LimitCompared(
            limit=limit.name,
            source=limit.source + (" (from memory)" if limit.basis == "memory" else ""),
            msv_per_year=limit.msv_per_year,
            share=year / limit.msv_per_year,
            upper_share=upper_year / limit.msv_per_year,
            hour_words=_hour(limit.msv_in_any_hour, day, upper_day),
        )
        for limit in published.limits
        if limit.who == position.who
    )
    return PositionEstimate(position, year, upper_year, second, compared, checks, words)


def _refused(
    position: MarkedPosition, tubes: Sequence[TubeWorkload], by_kap: ScatterValue
) -> tuple[str, ...]:
    if in_the_beam(position):
        return (
            f"No estimate: {position.angle_degrees:g} degrees is in or near the beam, which "
            "scatter does not describe. Nobody stands there.",
        )
    if not tubes:
        return ("No estimate: no exposure was told for this room in the period.",)
    if any(tube.kap_mgycm2_per_week is None for tube in tubes):
        return ("No estimate: a tube of this room has no figure of kerma-area product.",)
    if any(tube.most_kv > by_kap.most_kv for tube in tubes):
        return (
            f"No estimate: exposures above {by_kap.most_kv:g} kV, of which the published amount "
            "of scatter says nothing.",
        )
    return ()


def _by_charge(
    position: MarkedPosition, tubes: Sequence[TubeWorkload], by_mas: ScatterValue
) -> float | None:
    if not tubes or any(tube.most_kv > by_mas.most_kv for tube in tubes):
        return None
    mas_per_week = 60.0 * math.fsum(tube.ma_min_per_week for tube in tubes)
    nsv = scatter_nsv(mas_per_week, position.distance_m, by_mas)
    return nsv * WEEKS_A_YEAR * position.occupancy * position.transmission / 1e6


def _words(tubes: Sequence[TubeWorkload]) -> tuple[str, ...]:
    words = []
    if unknown := sum(tube.unknown_kap for tube in tubes):
        words.append(
            f"{unknown} of {sum(tube.exposures for tube in tubes)} exposures have no kerma-area "
            "product and are taken as the mean of the others."
        )
    if any(tube.weeks < 4.0 for tube in tubes):
        words.append("Less than 4 weeks: a year made of them says little.")
    return tuple(words)


def _hour(limit_msv: float | None, day_msv: float, upper_msv: float) -> str | None:
    """All of the busiest day is taken as one hour, so this is rather too much than too little."""
    if limit_msv is None:
        return None
    return (
        f"busiest day, taken as one hour: {day_msv:.2g} mSv, upper end {upper_msv:.2g}, beside "
        f"{limit_msv:g} mSv in any one hour"
    )
