"""``/live``: tells an open page that something of its topics changed (server-sent events)."""

import time
from collections.abc import AsyncIterator
from typing import Annotated, Final

from fastapi import Header, Query
from fastapi.responses import Response, StreamingResponse
from starlette.concurrency import run_in_threadpool

from schemas.errors import InvalidInput
from services.console.access import sees_site
from services.console.change_store import Change
from services.console.changes import (
    HEARTBEAT_S,
    RELOAD,
    TooManyLivePages,
    check_topic,
    kind_of,
    site_of,
)
from services.console.console import Console
from services.console.sessions import SignedIn
from services.console.troubles import Trouble
from services.console.visit import Visiting

_MOST_TOPICS: Final = 20
_ENDED: Final = "event: ended\ndata: ended\n\n"
_HEARTBEAT: Final = ": still here\n\n"
_COME_BACK: Final = "retry: 2000\n\n"


async def listen(
    visit: Visiting,
    topic: Annotated[list[str], Query(min_length=1, max_length=_MOST_TOPICS)],
    since: Annotated[int, Query(ge=0)] = 0,
    last_event_id: Annotated[str | None, Header(max_length=20)] = None,
) -> Response:
    """Tell of changes since the page was made, or since the last event that it had."""
    for one in topic:
        _check_own(visit, one)
    if last_event_id is not None and last_event_id.isascii() and last_event_id.isdigit():
        since = int(last_event_id)
    console = visit.console
    told = _told(console, visit.person, frozenset(topic), since)
    try:
        first = await anext(told)
    except TooManyLivePages as error:
        raise Trouble(503, "Too many pages are open at once to keep this one fresh.") from error
    return StreamingResponse(_from(first, told), media_type="text/event-stream")


def _check_own(visit: Visiting, topic: str) -> None:
    try:
        site = site_of(check_topic(topic))
    except InvalidInput as error:
        raise Trouble(422, f"topic: expected {error.expected}.") from error
    if not sees_site(visit.person.account, visit.console.group, site):
        raise Trouble(403)


async def _told(
    console: Console, person: SignedIn, topics: frozenset[str], since: int
) -> AsyncIterator[str]:
    """Write events until the session, the page or the service ends."""
    changes, whose = console.changes, person.account.key
    with changes.listening(topics, whose) as listener:
        yield _COME_BACK
        for change in await run_in_threadpool(changes.missed, topics, since):
            yield _event(change)
        looked_at = time.monotonic()
        while (waited := await listener.next()) is not None:
            # By the clock: where changes come all the time, no heartbeat is ever due.
            if time.monotonic() - looked_at >= HEARTBEAT_S or not waited:
                looked_at = time.monotonic()
                if await run_in_threadpool(console.sessions.find, person.token) is None:
                    yield _ENDED
                    return
            for change in waited:
                yield _event(change)
            if not waited:
                yield _HEARTBEAT


async def _from(first: str, others: AsyncIterator[str]) -> AsyncIterator[str]:
    yield first
    async for one in others:
        yield one


def _event(change: Change | None) -> str:
    if change is None:
        return f"event: {RELOAD}\ndata: {RELOAD}\n\n"
    return f"id: {change.id}\nevent: {kind_of(change.topic)}\ndata: {change.topic}\n\n"


ROUTES: Final = (("GET", "/live", listen),)
