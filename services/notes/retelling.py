"""The newest notes, told again after a restore; whoever has them lets them pass."""

import json
from collections.abc import Iterator
from datetime import date, datetime

from sqlalchemy import Connection, select

from schemas.conclusions import NoteWritten
from services.notes.store import STUDY
from services.runtime.operations.retell import Told, told_again

SERVICE = "notes"
_PAGE = 200


def notes_again(connection: Connection, group: str, since: datetime | None) -> Iterator[Told]:
    """Give the newest note of each study of days since then."""
    query = select(STUDY.c.site, STUDY.c.study_instance_uid, STUDY.c.snapshot, STUDY.c.assessment)
    query = query.where(STUDY.c.snapshot.is_not(None), STUDY.c.assessment.is_not(None))
    for row in connection.execute(query.execution_options(yield_per=_PAGE)):
        day = date.fromisoformat(json.loads(row.assessment)["day"])
        if since is None or day >= since.date():
            note = NoteWritten.model_validate_json(row.snapshot)
            yield told_again(SERVICE, group, row.site, note, row.study_instance_uid)
