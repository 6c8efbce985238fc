"""What has turned up already: codes that postings wait for, and codes that triage has kept."""

import ast
import re
from collections import Counter
from collections.abc import Mapping
from typing import Final

from sqlalchemy import Connection, func, select

from schemas.mappings.posted_codes import PostedCodes
from schemas.mappings.record_codes import FILE_NAME
from services.records.holding import lacking_of
from services.records.store import POSTINGS, PostingState
from services.records.unmapped import Needed
from services.runtime.tables import TRIAGE
from services.runtime.triage import TriageState

_NOT_LISTED: Final = re.compile(rf"one of (\w+) in {re.escape(FILE_NAME)} \(")
"""What intake says that it expected, where a code of the record is not in the group's file."""

_MOST_POSTINGS: Final = 10_000
"""So many of those that wait are read; the number is invented."""


def waited_for(connection: Connection, codes: PostedCodes) -> Mapping[Needed, int]:
    """Count the waiting postings by each code that they lack."""
    waiting = connection.execute(
        select(POSTINGS)
        .where(POSTINGS.c.state == PostingState.WAITING.value)
        .order_by(POSTINGS.c.sequence)
        .limit(_MOST_POSTINGS)
    )
    return Counter(one for row in waiting for one in lacking_of(row, codes))


def seen_in_triage(connection: Connection) -> Mapping[tuple[str, str], int]:
    """Count open entries of triage by table and code, where the code was not listed."""
    rows = connection.execute(
        select(TRIAGE.c.expected, TRIAGE.c.value, func.count())
        .where(TRIAGE.c.state == TriageState.OPEN.value, TRIAGE.c.expected.contains(FILE_NAME))
        .group_by(TRIAGE.c.expected, TRIAGE.c.value)
    )
    found: Counter[tuple[str, str]] = Counter()
    for expected, value, count in rows:
        table = _NOT_LISTED.match(expected)
        if table is not None:
            found[table[1], _plain(value)] += count
    return found


def _plain(shown: str) -> str:
    """Read a value as it was sent; one that was cut short stays as it is shown."""
    try:
        return str(ast.literal_eval(shown))
    except (ValueError, SyntaxError):
        return shown
