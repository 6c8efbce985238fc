"""A bound on how long a client may take to send a request, and to take the answer.

uvicorn bounds only the rest between two requests; whoever sends a byte a minute, or reads none,
would hold a connection for ever, and the door has only so many.
"""

import asyncio
from functools import partial
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

_COMING = frozenset({h11.IDLE, h11.SEND_BODY})


class PromptRequests(H11Protocol):
    """One connection. ``within_s``: for a whole request, and for taking what waits to be sent."""

    def __init__(self, *arguments: Any, within_s: float, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._within_s = within_s
        self._request_due: asyncio.TimerHandle | None = None
        self._answer_due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._request_due = self._let_go_later()

    def data_received(self, data: bytes) -> None:
        if self._request_due is None:
            self._request_due = self._let_go_later()
        super().data_received(data)
        if self.conn.their_state not in _COMING:
            self._request_due = _stopped(self._request_due)

    def pause_writing(self) -> None:
        super().pause_writing()
        if self._answer_due is None:
            self._answer_due = self._let_go_later()

    def resume_writing(self) -> None:
        super().resume_writing()
        self._answer_due = _stopped(self._answer_due)

    def connection_lost(self, exc: Exception | None) -> None:
        self._request_due = _stopped(self._request_due)
        self._answer_due = _stopped(self._answer_due)
        super().connection_lost(exc)

    def _let_go_later(self) -> asyncio.TimerHandle:
        return self.loop.call_later(self._within_s, self.transport.abort)


def prompt_requests(within_s: float) -> type[asyncio.Protocol]:
    """Give the protocol with its bound, as uvicorn wants it."""
    made: Any = partial(PromptRequests, within_s=within_s)
    protocol: type[asyncio.Protocol] = made
    return protocol


def _stopped(timer: asyncio.TimerHandle | None) -> asyncio.TimerHandle | None:
    if timer is not None:
        timer.cancel()
    return None
