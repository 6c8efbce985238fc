"""Every exposure that was told for a site's rooms, as a load: of patients, of nobody, of tests."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy import Connection, select

from schemas.conclusions import ExposureUse
from schemas.facts import ExposureEnded
from schemas.group import Site
from services.assessment.counting import Fact, told
from services.assessment.room_workload import Load
from services.assessment.rules import Rules
from services.assessment.store import FACT, parsed
from services.assessment.study_exposures import StudyExposure, dose_of
from services.assessment.tellings import ToldExposure, bring_together


def loads_between(
    connection: Connection, site: Site, rules: Rules, first: date, last: date
) -> Iterator[Load]:
    """Read the loads of the days ``first`` to ``last`` of the site's calendar, both included."""
    for offset in range((last - first).days + 1):
        day = first + timedelta(days=offset)
        for room in site.rooms:
            yield from loads_of(_facts(connection, site, room, day), site, rules, day)


def loads_of(facts: list[Fact], site: Site, rules: Rules, day: date) -> list[Load]:
    """Turn one day's exposures of one room into loads, each exposure once.

    What may be a second telling counts as an exposure of its own, so the load is rather too high.
    A performed step tells no times; it counts only where its generator told nothing itself.
    """
    members = bring_together(told(facts, ExposureEnded))
    timed = {one.told.generator for one in members if not one.untimed}
    counted = [one for one in members if not one.untimed or one.told.generator not in timed]
    if not counted:
        return []
    results, _ = dose_of([_as_exposure(one) for one in counted], site, rules)
    doses = {result.exposure_key: result for result in results}
    return [
        Load(
            room=one.told.room,
            generator=one.told.generator,
            day=day,
            tube_kv=one.told.tube_kv,
            tube_current_ma=one.told.tube_current_ma,
            exposure_ms=one.told.exposure_ms,
            # A figure in doubt is none: it is taken as the mean of the others.
            kap_mgycm2=None if doses[one.key].kap_doubtful else doses[one.key].kap_mgycm2,
            relative_uncertainty=doses[one.key].relative_uncertainty,
        )
        for one in counted
    ]


def _as_exposure(one: ToldExposure) -> StudyExposure:
    return StudyExposure(
        key=one.key, at=one.fact.occurred_at, told=one.told, use=ExposureUse.NO_IMAGE
    )


def _facts(connection: Connection, site: Site, room: str, day: date) -> list[Fact]:
    begin = datetime.combine(day, time(), site.zone).astimezone(UTC)
    end = datetime.combine(day + timedelta(days=1), time(), site.zone).astimezone(UTC)
    query = select(FACT.c.body).where(
        FACT.c.site == site.name,
        FACT.c.room == room,
        FACT.c.moment >= begin,
        FACT.c.moment < end,
        FACT.c.kind == ExposureEnded.KIND,
    )
    return parsed(connection.execute(query).scalars())
