"""What is kept of patients: merges of their records, and descriptions."""

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Connection, and_, or_, select

from schemas.facts import PatientDescribed, PatientMerged
from services.assessment.animals import TOLD_AFTER
from services.assessment.counting import Fact, told
from services.assessment.room_day import BEYOND
from services.assessment.store import FACT, parsed

_OUTLASTS: Final = TOLD_AFTER + BEYOND + timedelta(days=2)
"""More than a description can be told after the last image or date of a study that it tells of."""


def merged_into(patient_id: str) -> str:
    """Name what a merge is about, so that it is found by the id that it keeps, too."""
    return f"merged-into:{patient_id}"


def facts_of_patients(
    connection: Connection, site: str, patients: Collection[str], until: datetime | None
) -> list[Fact]:
    """Load the merges that join these patients to any others, and the descriptions of all of them
    told until a moment; without one the merges alone."""
    found: list[Fact] = []
    seen: set[str] = set()
    reading = set(patients)
    while reading - seen:
        asked = sorted(reading - seen)
        seen |= reading
        of_them = FACT.c.patient_id.in_(asked)
        wanted = [
            and_(FACT.c.kind == PatientMerged.KIND, of_them),
            and_(
                FACT.c.kind == PatientMerged.KIND,
                FACT.c.about.in_([merged_into(one) for one in asked]),
            ),
        ]
        if until is not None:
            described = FACT.c.kind == PatientDescribed.KIND
            wanted.append(and_(described, of_them, FACT.c.moment <= until))
        query = select(FACT.c.body).where(FACT.c.site == site, or_(*wanted))
        more = parsed(connection.execute(query).scalars())
        found += more
        for _, merge in told(more, PatientMerged):
            reading |= {merge.kept_patient_id, merge.retired_patient_id}
    return found


def studies_of_patients(
    connection: Connection, site: str, patients: Collection[str], since: datetime | None = None
) -> set[str]:
    """Tell the studies of all records that merges join to these.

    ``since`` is when a description was told: what was over long before is left out.
    """
    joined = set(patients)
    for _, merge in told(facts_of_patients(connection, site, joined, None), PatientMerged):
        joined |= {merge.kept_patient_id, merge.retired_patient_id}
    query = select(FACT.c.study_instance_uid).where(
        FACT.c.site == site,
        FACT.c.patient_id.in_(sorted(joined)),
        FACT.c.study_instance_uid.is_not(None),
    )
    if since is not None:
        query = query.where(FACT.c.moment >= since - _OUTLASTS)
    return set(connection.execute(query).scalars())
