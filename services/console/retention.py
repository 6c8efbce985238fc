"""What of the console's read model may go: the rows of single studies; sums and figures stay.

What still asks for a person stays: a note that waits, a bill with exceptions or unanswered lines.
"""

from datetime import datetime
from typing import Final

from sqlalchemy import ColumnElement, Table, and_, or_, select

from services.console.tables import BILL, CORRECTION, NOTE, NOTE_REVISION, QUESTION, ROOM_DAY, STUDY
from services.runtime.operations.retention import Old


def _open(before: datetime) -> ColumnElement[bool]:
    """Say of a row of ``STUDY`` whether its note or bill waits for somebody."""
    del before
    return or_(
        _has(NOTE, STUDY, NOTE.c.open_since.is_not(None)),
        _has(BILL, STUDY, or_(BILL.c.waiting > 0, BILL.c.exceptions > 0)),
    )


def _has(table: Table, of: Table, condition: ColumnElement[bool]) -> ColumnElement[bool]:
    same = and_(table.c.site == of.c.site, table.c.study_instance_uid == of.c.study_instance_uid)
    return select(table.c.site).where(same, condition).exists()


def _old(before: datetime) -> ColumnElement[bool]:
    return and_(STUDY.c.day < before.date(), ~_open(before))


def _of_old_study(table: Table, before: datetime) -> ColumnElement[bool]:
    return _has(STUDY, table, _old(before))


OLD: Final = (
    Old("console", QUESTION, lambda before: _of_old_study(QUESTION, before)),
    Old(
        "console",
        ROOM_DAY,
        lambda before: ROOM_DAY.c.day < before.date(),
    ),
    Old("console", CORRECTION, lambda before: CORRECTION.c.decided_at < before),
    # The study last: the others are known by its day.
    Old("console", NOTE_REVISION, lambda before: _of_old_study(NOTE_REVISION, before)),
    Old("console", NOTE, lambda before: _of_old_study(NOTE, before)),
    Old("console", BILL, lambda before: _of_old_study(BILL, before)),
    Old("console", STUDY, _old),
)
