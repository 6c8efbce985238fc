"""What assessment keeps: every fact that it heard, and the newest assessment of each study."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import (
    Column,
    Connection,
    Date,
    Index,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
    bindparam,
    select,
)

from schemas.conclusions import StudyAssessed
from schemas.messages import parse
from services.assessment.counting import Fact
from services.assessment.room_day import RoomDay
from services.runtime.by_keys import Key, rows_of_studies
from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.upsert import add_new_rows, replace_rows

FACT = Table(
    "assessment_fact",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("natural_key", String(400), primary_key=True),
    Column("kind", String(40), nullable=False),
    Column("room", String(64)),
    Column("moment", UtcDateTime),
    Column("study_instance_uid", String(64)),
    Column("about", String(400)),
    Column("patient_id", String(64)),
    Column("body", LargeBinary, nullable=False),
    Index("ix_assessment_fact_site_room_moment", "site", "room", "moment"),
    Index("ix_assessment_fact_site_study_instance_uid", "site", "study_instance_uid"),
    Index("ix_assessment_fact_site_about", "site", "about"),
    Index("ix_assessment_fact_site_patient_id", "site", "patient_id"),
)
"""Facts, never changed. ``room`` and ``moment`` say where one stands, if anywhere; ``about`` names
the order or the fact that it is about; the study is filled in once that is known. ``patient_id``
of a merge is the retired one, ``about`` names the one kept."""

STUDY = Table(
    "assessment_study",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("room", String(64), nullable=False),
    Column("day", Date, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("digest", String(64), nullable=False),
    Column("body", Text, nullable=False),
    Index("ix_assessment_study_site_day_room", "site", "day", "room"),
)
"""The newest assessment of each study."""


_OF_STUDIES = select(FACT.c.body).where(
    FACT.c.site == bindparam("site"),
    FACT.c.study_instance_uid.in_(bindparam("studies", expanding=True)),
)
# Made once: the making costs as much as the asking.


@dataclass(frozen=True, slots=True)
class FactRow:
    """A fact as it is kept."""

    site: str
    natural_key: str
    kind: str
    room: str | None
    moment: datetime | None
    study: str | None
    about: str | None
    patient_id: str | None
    body: bytes


def add_facts(connection: Connection, rows: Iterable[FactRow]) -> set[tuple[str, str]]:
    """Keep facts; give site and natural key of those that were new."""
    values: list[dict[str, Any]] = [
        {
            "site": row.site,
            "natural_key": row.natural_key,
            "kind": row.kind,
            "room": row.room,
            "moment": row.moment,
            "study_instance_uid": row.study,
            "about": row.about,
            "patient_id": row.patient_id,
            "body": row.body,
        }
        # Sorted, so that two workers with the same facts never wait for each other.
        for row in sorted(rows, key=lambda row: (row.site, row.natural_key))
    ]
    return {(site, key) for site, key in add_new_rows(connection, FACT, values)}


def facts_of_studies(connection: Connection, site: str, studies: Collection[str]) -> list[Fact]:
    """Load all facts of some studies."""
    if not studies:
        return []
    given = {"site": site, "studies": sorted(studies)}
    return parsed(connection.execute(_OF_STUDIES, given).scalars())


@dataclass(frozen=True, slots=True)
class Kept:
    """A study's newest assessment as it is kept."""

    revision: int
    digest: str


def kept_studies(connection: Connection, studies: Collection[Key]) -> dict[Key, Kept]:
    """Read revision and digest of some studies."""
    columns = (STUDY.c.site, STUDY.c.study_instance_uid, STUDY.c.revision, STUDY.c.digest)
    return {
        (row.site, row.study_instance_uid): Kept(row.revision, row.digest)
        for row in rows_of_studies(connection, columns, studies)
    }


def kept_assessment(connection: Connection, site: str, study: str) -> StudyAssessed | None:
    """Read a study's newest assessment whole."""
    query = select(STUDY.c.body).where(STUDY.c.site == site, STUDY.c.study_instance_uid == study)
    body = connection.execute(query).scalar()
    return StudyAssessed.model_validate_json(body) if body is not None else None


def kept_whole(
    connection: Connection, site: str, studies: Collection[str]
) -> dict[str, tuple[RoomDay, StudyAssessed]]:
    """Read the newest assessments of some studies, each with where it is at home."""
    if not studies:
        return {}
    query = select(STUDY.c.room, STUDY.c.day, STUDY.c.body).where(
        STUDY.c.site == site, STUDY.c.study_instance_uid.in_(sorted(studies))
    )
    found = [
        (RoomDay(site, row.room, row.day), StudyAssessed.model_validate_json(row.body))
        for row in connection.execute(query)
    ]
    return {study.study_instance_uid: (where, study) for where, study in found}


def write_studies(
    connection: Connection, studies: Iterable[tuple[RoomDay, StudyAssessed, str]]
) -> None:
    """Write assessments, each with where it is at home and its digest, in place of the last."""
    rows: list[dict[str, Any]] = [
        {
            "site": where.site,
            "study_instance_uid": assessed.study_instance_uid,
            "room": where.room,
            "day": where.day,
            "revision": assessed.revision,
            "digest": digest,
            "body": assessed.model_dump_json(),
        }
        for where, assessed, digest in studies
    ]
    replace_rows(connection, STUDY, rows)


def find_studies(connection: Connection, study: str) -> list[tuple[str, StudyAssessed]]:
    """Find a study by its uid; give it with its site."""
    bodies = connection.execute(
        select(STUDY.c.site, STUDY.c.body)
        .where(STUDY.c.study_instance_uid == study)
        .order_by(STUDY.c.site)
    ).all()
    return [(row.site, StudyAssessed.model_validate_json(row.body)) for row in bodies]


def facts_by_key(connection: Connection, site: str, keys: Sequence[str]) -> list[Fact]:
    """Load facts by their natural keys."""
    if not keys:
        return []
    query = select(FACT.c.body).where(FACT.c.site == site, FACT.c.natural_key.in_(keys))
    return parsed(connection.execute(query).scalars())


def parsed(bodies: Iterable[bytes]) -> list[Fact]:
    """Read facts from their bodies."""
    return [_parse(bytes(body)) for body in bodies]


@lru_cache(maxsize=20_000)
def _parse(body: bytes) -> Fact:
    """Facts are immutable, so one that was read once need not be read again."""
    return parse(body)
