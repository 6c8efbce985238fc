"""The facts of a period, assessed once more in a fresh store: the same answer, or what differs.

What is concluded is a function of the facts, the group's rules and this version. So a difference
says that rules or version have changed since, or that facts were let go of.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from sqlalchemy import ColumnElement, Connection, and_, or_, select

from schemas.messages import parse
from services.assessment.counting import Fact
from services.assessment.dose_ledger import DOSE
from services.assessment.store import FACT, STUDY
from services.assessment.worker import AssessmentHandler
from services.runtime.store import Store
from services.runtime.upsert import replace_rows
from services.runtime.worker import Work

_AT_ONCE: Final = 100
_BESIDE: Final = timedelta(days=1)
"""A room-day is assessed with what happened around midnight on either side."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """A study of the period: the digest of what is kept, and of what came out now."""

    site: str
    study_instance_uid: str
    day: date
    kept: str | None
    now: str | None

    @property
    def same(self) -> bool:
        return self.kept == self.now


def replay(
    source: Store,
    fresh: Store,
    handler: AssessmentHandler,
    first: date,
    last: date,
    sum_days: int,
) -> list[Replayed]:
    """Assess the facts of the days ``first`` to ``last`` anew in ``fresh``, and compare.

    ``fresh`` is at the newest schema and empty. The doses of the ``sum_days`` before are taken
    over as they stand, for the patients' sums.
    """
    with source.read() as connection:
        _take_doses(connection, fresh, first - _BESIDE, sum_days)
        for page in _pages(connection, first, last):
            with fresh.begin() as writing:
                handler(Work(writing, fresh), page)  # its messages go nowhere
        kept = _digests(connection, first, last)
    with fresh.read() as connection:
        now = _digests(connection, first, last)
    return [_compared(key, kept.get(key), now.get(key)) for key in sorted(kept.keys() | now.keys())]


_Key = tuple[str, str]
_Digest = tuple[date, str]


def _compared(key: _Key, kept: _Digest | None, now: _Digest | None) -> Replayed:
    day = (kept or now or (date.min, ""))[0]
    return Replayed(*key, day, kept and kept[1], now and now[1])


def _take_doses(connection: Connection, fresh: Store, before: date, days: int) -> None:
    query = select(DOSE).where(DOSE.c.day < before, DOSE.c.day >= before - timedelta(days=days))
    rows = connection.execute(query.execution_options(yield_per=_AT_ONCE))
    for part in rows.mappings().partitions():
        with fresh.begin() as writing:
            replace_rows(writing, DOSE, [dict(row) for row in part])


def _pages(connection: Connection, first: date, last: date) -> Iterator[Sequence[Fact]]:
    query = select(FACT.c.body).where(_needed(first, last))
    ordered = query.order_by(FACT.c.site, FACT.c.natural_key)
    bodies = connection.execute(ordered.execution_options(yield_per=_AT_ONCE)).scalars()
    for part in bodies.partitions():
        yield [parse(bytes(body)) for body in part]


def _needed(first: date, last: date) -> ColumnElement[bool]:
    """Facts of the period's studies and of those beside it, of its rooms, and all of patients."""
    begin = datetime.combine(first - 2 * _BESIDE, time(), UTC)
    end = datetime.combine(last + 3 * _BESIDE, time(), UTC)
    of_study = (
        select(STUDY.c.study_instance_uid)
        .where(
            STUDY.c.site == FACT.c.site,
            STUDY.c.study_instance_uid == FACT.c.study_instance_uid,
            STUDY.c.day.between(first - _BESIDE, last + _BESIDE),
        )
        .exists()
    )
    alone = and_(
        FACT.c.study_instance_uid.is_(None),
        or_(
            FACT.c.moment.between(begin, end),
            FACT.c.moment.is_(None),
            FACT.c.patient_id.is_not(None),
        ),
    )
    return or_(of_study, alone)


def _digests(connection: Connection, first: date, last: date) -> dict[_Key, _Digest]:
    query = select(STUDY.c.site, STUDY.c.study_instance_uid, STUDY.c.day, STUDY.c.digest)
    rows = connection.execute(query.where(STUDY.c.day.between(first, last)))
    return {(row.site, row.study_instance_uid): (row.day, row.digest) for row in rows}
