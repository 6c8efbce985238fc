"""What the record said, told again after a restore, and postings that may have gone out since."""

from collections.abc import Iterator
from datetime import datetime

from sqlalchemy import Connection, select, update

from schemas.channels import Exchange
from schemas.envelope import Source
from services.records.answers import ANSWERED, answered, said_before
from services.records.store import POSTINGS, PostingState
from services.runtime.operations.retell import Told
from services.runtime.settings import load_settings

_PAGE = 500


def answers_again(connection: Connection, group: str, since: datetime | None) -> Iterator[Told]:
    """Give the record's answers since a moment, each under its natural key of then.

    What waits may have reached the record after the backup: it is marked so first, and the poster
    then asks the record for the key before it posts.
    """
    del group  # a posting bears its own
    connection.execute(
        update(POSTINGS)
        .where(POSTINGS.c.state == PostingState.WAITING.value)
        .values(maybe_sent=True)
    )
    query = (
        select(POSTINGS)
        .where(
            POSTINGS.c.state.in_([state.value for state in ANSWERED]),
            POSTINGS.c.answered_at.is_not(None),
        )
        .order_by(POSTINGS.c.answered_at)
    )
    if since is not None:
        query = query.where(POSTINGS.c.answered_at >= since)
    source = Source(kind="record", name=load_settings().records.adapter)
    for row in connection.execute(query.execution_options(yield_per=_PAGE)):
        yield answered(row, said_before(row), source, row.answered_at), Exchange.OFFERS
