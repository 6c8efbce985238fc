"""What waits is due when its time has come, and when no wait can have set its time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Column, MetaData, Table, create_engine, insert, select

from services.runtime.due import AT_ONCE, is_due
from services.runtime.tables import UtcDateTime

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
LONGEST = timedelta(minutes=5)


@pytest.mark.parametrize(
    ("moment", "due"),
    [
        (AT_ONCE, True),
        (NOW, True),
        (NOW + timedelta(seconds=1), False),
        (NOW + LONGEST, False),
        (NOW + LONGEST + timedelta(seconds=1), True),
        (None, False),
    ],
)
def test_a_moment_is_due_when_past_or_further_ahead_than_any_wait(
    moment: datetime | None, due: bool
) -> None:
    table = Table("waiting", MetaData(), Column("at", UtcDateTime))
    engine = create_engine("sqlite://")
    with engine.begin() as connection:
        table.create(connection)
        connection.execute(insert(table).values(at=moment))

        found = connection.execute(select(table).where(is_due(table.c.at, NOW, LONGEST))).all()

    assert bool(found) is due
