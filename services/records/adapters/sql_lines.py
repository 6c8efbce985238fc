"""What the record holds by day: the lines of its invoices, and what waits for its job.

A row that the job has not answered counts as held for ``pickup_hours`` after it was written. After
that it is told no more, and the reconciliation says that it is missing.
"""

from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, and_, select

from schemas.errors import InvalidInput
from schemas.facts import RecordLine
from schemas.mappings.posted_codes import PostedCodes
from services.records.adapters.sql_reading import clock, read_as, texts, unreadable, values
from services.records.adapters.sql_rows import held_line
from services.records.adapters.sql_staging import Staged, read
from services.records.adapters.sql_tables import CHARGE, LINE
from services.records.port import HeldLine, Unreadable

OURS = "gomphosis"


def read_lines(
    connection: Connection,
    codes: PostedCodes,
    site: str,
    first: date,
    last: date,
    pickup: timedelta,
) -> Iterator[RecordLine | Unreadable]:
    """Give the lines of some days at a site. Raises RecordRefused for a damaged row of ours."""
    names = [name for name in (site, codes.sites.get(site)) if name]
    condition = and_(LINE.c.site.in_(names), LINE.c.service_day.between(first, last))
    own = {
        row["posting_key"]: row
        for row in connection.execute(
            select(CHARGE).where(
                CHARGE.c.posting_key.in_(select(LINE.c.posting_key).where(condition))
            )
        ).mappings()
    }
    query = select(*texts(LINE)).where(condition).order_by(LINE.c.line_id)
    for found in connection.execute(query).mappings().all():
        yield _line(found, codes, own)
    waiting = and_(
        CHARGE.c.site == site,
        CHARGE.c.service_day.between(first, last),
        ~select(LINE.c.line_id).where(LINE.c.posting_key == CHARGE.c.posting_key).exists(),
    )
    now = clock(connection)
    for staged in read(connection, CHARGE, waiting):
        if staged.answer is None and now - staged.row["written_at"] <= pickup:
            yield _waiting(staged)


def _line(
    found: Mapping[Any, Any], codes: PostedCodes, own: Mapping[str, Mapping[Any, Any]]
) -> RecordLine | Unreadable:
    row = values(LINE, found)
    try:
        line = read_as(RecordLine, LINE, row)
    except InvalidInput as error:
        return unreadable(LINE, row, error)
    posted = own.get(found["posting_key"])
    ours = codes.charge_of(line.code)
    changes: dict[str, Any] = {"code": ours}
    if posted is not None:
        held = held_line(posted, line.line_id)
        changes["entered_by"] = line.entered_by or OURS
        changes["edited"] = line.edited or not _as_posted(line, ours, held)
    return line.model_copy(update=changes)


def _as_posted(line: RecordLine, code: str, held: HeldLine) -> bool:
    return (line.patient_id, line.service_day, code, line.quantity, line.amount, line.currency) == (
        held.patient_id,
        held.service_day,
        held.code,
        held.quantity,
        held.signed_amount,
        held.currency,
    )


def _waiting(staged: Staged) -> RecordLine:
    held = held_line(staged.row, staged.reference)
    written_at: datetime = staged.row["written_at"]
    return RecordLine(
        line_id=held.reference,
        posting_key=held.posting_key,
        patient_id=held.patient_id,
        service_day=held.service_day,
        code=held.code,
        quantity=held.quantity,
        amount=held.signed_amount,
        currency=held.currency,
        entered_by=OURS,
        entered_at=written_at,
        edited=held.changed_by_hand,
    )
