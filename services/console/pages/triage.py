"""Triage: what could not be used, with its reason, until a person has settled it."""

from collections.abc import Sequence
from typing import Annotated, Final

from fastapi import Form, Query
from fastapi.responses import Response
from sqlalchemy import Connection

from schemas.errors import InvalidInput
from services.console.operations.triage_lines import (
    DISCARD_REASONS,
    MOST_SHOWN,
    Entry,
    by_cause,
    entry_of,
)
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting
from services.runtime import triage
from services.runtime.triage import TriageError, TriageState

MOST_AT_ONCE: Final = 200
"""Entries that one confirmation settles; the number is invented."""
_Told = Annotated[str, Form(max_length=MOST_SHOWN * 4)]
_Reason = Annotated[str, Form(max_length=200)]


def show_causes(
    visit: Visiting,
    after: Annotated[int, Query(ge=0)] = 0,
    told: Annotated[str, Query(max_length=200)] = "",
) -> Response:
    """List what is open, gathered by its cause."""
    with visit.console.store.read() as connection:
        rows = triage.entries(connection, TriageState.OPEN, MOST_AT_ONCE, after)
        waiting = triage.count_open(connection)
    own = [one for one in map(entry_of, rows) if _is_theirs(visit, one)]
    return visit.page(
        "triage.html",
        causes=by_cause(own),
        waiting=waiting,
        shown=len(own),
        more=rows[-1].id if len(rows) == MOST_AT_ONCE else None,
        hidden=len(rows) - len(own),
        reasons=DISCARD_REASONS,
        told=told,
        zone=visit.person.account.site.zone,
    )


def show_entry(visit: Visiting, entry: int) -> Response:
    """Show one entry, whatever became of it."""
    with visit.console.store.read() as connection:
        found = _own_entry(visit, connection, entry)
    return _entry_page(visit, found)


def replay(visit: Visiting, entry: int, body: _Told = "") -> Response:
    """Send an entry again: as it was, or an edited copy as a new offer."""
    try:
        with visit.console.store.begin() as connection:
            found = _own_entry(visit, connection, entry)
            if body and not found.may_edit:
                raise TriageError("this entry cannot be edited: send it again as it was")
            corrected = body.encode() if body and body != found.text else None
            triage.replay(connection, entry, corrected, by=visit.person.account.key)
    except InvalidInput as error:
        wrong = f"{error.field}: expected {error.expected}"
        return _entry_page(visit, found, trouble=wrong, typed=body or None, status=422)
    except TriageError as error:
        return _settled_meanwhile(visit, entry, error)
    return visit.go_to("/operations/triage?told=sent")


def discard(visit: Visiting, entry: int, reason: _Reason, words: _Reason = "") -> Response:
    """Settle an entry as of no use."""
    try:
        with visit.console.store.begin() as connection:
            _own_entry(visit, connection, entry)
            told = _reason(reason, words)
            triage.discard(connection, entry, by=visit.person.account.key, reason=told)
    except TriageError as error:
        return _settled_meanwhile(visit, entry, error)
    return visit.go_to("/operations/triage?told=discarded")


def settle_many(
    visit: Visiting,
    act: Annotated[str, Form(max_length=20)],
    entries: Annotated[str, Form(max_length=4_000)],
    reason: _Reason = "",
    words: _Reason = "",
) -> Response:
    """Settle all entries of a cause; one that cannot be is left and counted."""
    numbers = _numbers(entries)
    by, left = visit.person.account.key, 0
    told = _reason(reason, words) if act == "discard" else None
    if act not in {"discard", "replay"}:
        raise Trouble(422)
    for number in numbers:
        try:
            with visit.console.store.begin() as connection:
                _own_entry(visit, connection, number)
                if told is not None:
                    triage.discard(connection, number, by=by, reason=told)
                else:
                    triage.replay(connection, number, by=by)
        except (TriageError, InvalidInput):
            left += 1
    return visit.go_to(f"/operations/triage?told={act}-{len(numbers) - left}-{left}")


def _own_entry(visit: Visit, connection: Connection, number: int) -> Entry:
    row = triage.entry(connection, number)
    if row is None:
        raise Trouble(404)
    found = entry_of(row)
    if not _is_theirs(visit, found):
        raise Trouble(403)
    return found


def _is_theirs(visit: Visit, entry: Entry) -> bool:
    """Whoever reaches one site sees what says that it is of that site, and nothing else."""
    if visit.person.account.person.reach == "group":
        return True
    return entry.site == visit.person.account.site.name


def _entry_page(
    visit: Visit,
    entry: Entry,
    *,
    trouble: str = "",
    typed: str | None = None,
    status: int = 200,
) -> Response:
    return visit.page(
        "triage_entry.html",
        status,
        e=entry,
        trouble=trouble,
        typed=entry.text if typed is None else typed,
        reasons=DISCARD_REASONS,
        zone=visit.person.account.site.zone,
    )


def _settled_meanwhile(visit: Visit, number: int, error: TriageError) -> Response:
    with visit.console.store.read() as connection:
        found = _own_entry(visit, connection, number)
    return _entry_page(visit, found, trouble=str(error), status=422)


def _reason(chosen: str, words: str) -> str:
    if chosen not in DISCARD_REASONS:
        raise Trouble(422, "Nothing was done. reason: expected one of the list.")
    return f"{chosen}: {words.strip()}" if words.strip() else chosen


def _numbers(told: str) -> Sequence[int]:
    parts = told.split(",")
    if not all(one.isascii() and one.isdigit() and len(one) < 19 for one in parts):
        raise Trouble(422)
    return [int(one) for one in parts[:MOST_AT_ONCE]]


ROUTES: Final = (
    ("GET", "/operations/triage", show_causes),
    ("POST", "/operations/triage/bulk", settle_many),
    ("GET", "/operations/triage/{entry}", show_entry),
    ("POST", "/operations/triage/{entry}/replay", replay),
    ("POST", "/operations/triage/{entry}/discard", discard),
)
