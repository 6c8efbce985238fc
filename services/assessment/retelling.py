"""The newest assessments, told again after a restore; whoever has them lets them pass."""

from collections.abc import Iterator
from datetime import datetime

from sqlalchemy import Connection, select

from schemas.conclusions import RoomDayAssessed, StudyAssessed
from services.assessment.room_day_store import ROOM_DAY
from services.assessment.store import STUDY
from services.runtime.operations.retell import Told, told_again

SERVICE = "assessment"
_PAGE = 200


def assessments_again(connection: Connection, group: str, since: datetime | None) -> Iterator[Told]:
    """Give the newest assessment of each study and room-day, of days since then."""
    studies = select(STUDY.c.site, STUDY.c.study_instance_uid, STUDY.c.body).order_by(STUDY.c.day)
    rooms = select(ROOM_DAY.c.site, ROOM_DAY.c.room, ROOM_DAY.c.body).order_by(ROOM_DAY.c.day)
    if since is not None:
        studies = studies.where(STUDY.c.day >= since.date())
        rooms = rooms.where(ROOM_DAY.c.day >= since.date())
    for site, study, body in connection.execute(studies.execution_options(yield_per=_PAGE)):
        yield told_again(SERVICE, group, site, StudyAssessed.model_validate_json(body), study)
    for site, room, body in connection.execute(rooms.execution_options(yield_per=_PAGE)):
        yield told_again(SERVICE, group, site, RoomDayAssessed.model_validate_json(body), room)
