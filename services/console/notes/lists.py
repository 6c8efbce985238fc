"""The lists of the desk: which notes one shows, and which stands before and after a note."""

from collections.abc import Collection, Sequence
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

from sqlalchemy import Column, ColumnElement, Connection, select

from services.console import views_notes
from services.console.paging import Page, cursor, from_place
from services.console.tables import NOTE
from services.console.views_notes import NoteLine


class Shown(StrEnum):
    """A filter of the list."""

    WAITING = "waiting"
    SIGNATURE = "signature"
    COSIGNATURE = "cosignature"
    ADDENDUM = "addendum"
    REFUSED = "refused"
    ALL = "all"


FILTER_WORDS: Final = {
    Shown.WAITING: "Waits for a person",
    Shown.SIGNATURE: "Unsigned",
    Shown.COSIGNATURE: "Signed by a trainee",
    Shown.ADDENDUM: "Addendum proposed",
    Shown.REFUSED: "Refused by the record",
    Shown.ALL: "All notes",
}
_ONE_KIND: Final = frozenset({Shown.SIGNATURE, Shown.COSIGNATURE, Shown.ADDENDUM})


def listed(
    connection: Connection, site: str, shown: Shown, after: str | None = None
) -> Page[NoteLine]:
    """Give one page of a list, the oldest first; of all notes the newest first.

    Raises InvalidInput for a place that no page gave.
    """
    if shown is Shown.ALL:
        return views_notes.all_notes(connection, site, after)
    if shown is Shown.REFUSED:
        return views_notes.refused_notes(connection, site, after)
    kind = shown.value if shown in _ONE_KIND else None
    return views_notes.waiting_notes(connection, [site], after, kind)


def counts(connection: Connection, site: str) -> dict[Shown, int]:
    """Count the notes of each list; all of them are not counted."""
    waiting = views_notes.count_waiting(connection, site)
    found = {one: waiting.get(one.value, 0) for one in _ONE_KIND}
    found[Shown.WAITING] = sum(waiting.values())
    found[Shown.REFUSED] = views_notes.count_refused(connection, site)
    return found


def beside(
    connection: Connection,
    site: str,
    shown: Shown,
    study: str,
    since: datetime | None,
    *,
    forward: bool,
) -> str | None:
    """Name the note after, or before, a note in a list; None at its end.

    The note itself need not be in the list any more: its age is its place.
    """
    if since is None:
        return None
    column, conditions = _of_list(shown)
    newest_first = (shown is Shown.ALL) == forward
    return _first(connection, site, column, conditions, cursor(since, study), newest_first)


def next_to_sign(
    connection: Connection,
    site: str,
    study: str,
    since: datetime | None,
    kinds: Collection[str],
    passed_over: Collection[str] = (),
) -> str | None:
    """Name the next note that waits for one of these signatures: the next younger, else the oldest.

    ``passed_over`` are notes whose signature is on its way; the note itself is one of them.
    """
    left = frozenset({study, *passed_over})
    conditions = [NOTE.c.waits_for.in_(sorted(kinds)), NOTE.c.study_instance_uid.not_in(left)]
    place = None if since is None else cursor(since, study)
    for after in dict.fromkeys((place, None)):
        found = _first(connection, site, NOTE.c.open_since, conditions, after, newest_first=False)
        if found is not None:
            return found
    return None


def _of_list(shown: Shown) -> tuple[Column[Any], Sequence[ColumnElement[bool]]]:
    if shown is Shown.ALL:
        return NOTE.c.since, []
    if shown is Shown.REFUSED:
        return NOTE.c.since, [NOTE.c.refused.is_not(None)]
    kind = [NOTE.c.waits_for == shown.value] if shown in _ONE_KIND else []
    return NOTE.c.open_since, kind


def _first(
    connection: Connection,
    site: str,
    column: Column[Any],
    conditions: Sequence[ColumnElement[bool]],
    after: str | None,
    newest_first: bool,
) -> str | None:
    query = select(NOTE.c.study_instance_uid).where(
        NOTE.c.site == site, column.is_not(None), *conditions
    )
    columns = [column, NOTE.c.study_instance_uid]
    query = from_place(query, columns, after, newest_first=newest_first).limit(1)
    found: str | None = connection.scalar(query)
    return found
