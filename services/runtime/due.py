"""When something that waits is due, even where the clock that said so was wrong."""

from datetime import UTC, datetime, timedelta
from typing import Final

from sqlalchemy import Column, ColumnElement, or_

AT_ONCE: Final = datetime(1970, 1, 1, tzinfo=UTC)
"""Due by every clock."""


def is_due(
    moment: Column[datetime] | Column[datetime | None],
    now: datetime,
    longest: timedelta,
) -> ColumnElement[bool]:
    """Ask whether ``moment`` has come, or lies further ahead than ``longest``.

    ``longest`` is the longest wait that is ever set: what lies beyond it was written while a clock
    ran ahead, and would wait for as long as it was wrong.
    """
    return or_(moment <= now, moment > now + longest)
