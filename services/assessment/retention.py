"""What of assessment's tables may go: old studies with their facts, and facts that stand alone.

The doses stay: a patient's sum over a period reaches back. So do descriptions and merges of
patients, and facts that name neither a study nor a time.
"""

from datetime import datetime
from typing import Final

from sqlalchemy import ColumnElement, and_, or_, select

from services.assessment.room_day_store import ROOM_DAY
from services.assessment.store import FACT, STUDY
from services.runtime.operations.retention import Old


def _old_facts(before: datetime) -> ColumnElement[bool]:
    of_old_study = (
        select(STUDY.c.study_instance_uid)
        .where(
            STUDY.c.site == FACT.c.site,
            STUDY.c.study_instance_uid == FACT.c.study_instance_uid,
            STUDY.c.day < before.date(),
        )
        .exists()
    )
    alone = and_(
        FACT.c.study_instance_uid.is_(None), FACT.c.patient_id.is_(None), FACT.c.moment < before
    )
    return or_(of_old_study, alone)


OLD: Final = (
    # First the facts: they are known by their study's day.
    Old("facts", FACT, _old_facts),
    Old("facts", ROOM_DAY, lambda before: ROOM_DAY.c.day < before.date()),
    Old("facts", STUDY, lambda before: STUDY.c.day < before.date()),
)
