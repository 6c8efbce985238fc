"""What is kept of patients: merges of their records, and descriptions."""

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Connection, and_, bindparam, or_, select

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


_OF_THEM = FACT.c.patient_id.in_(bindparam("patients", expanding=True))
_MERGED = and_(
    FACT.c.kind == PatientMerged.KIND,
    or_(_OF_THEM, FACT.c.about.in_(bindparam("kept", expanding=True))),
)
_DESCRIBED = and_(
    FACT.c.kind == PatientDescribed.KIND, _OF_THEM, FACT.c.moment <= bindparam("until")
)
_HERE = select(FACT.c.body).where(FACT.c.site == bindparam("site"))
_MERGES = _HERE.where(_MERGED)
_ALL_TOLD = _HERE.where(or_(_MERGED, _DESCRIBED))


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
        given: dict[str, object] = {
            "site": site,
            "patients": asked,
            "kept": [merged_into(one) for one in asked],
        }
        if until is not None:
            given["until"] = until
        query = _MERGES if until is None else _ALL_TOLD
        more = parsed(connection.execute(query, given).scalars())
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
