"""How each queue went in the last hour: what waits, how far behind, whether it grows. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from services.console.operations.lookout import Look
from services.console.watch import QueueState

_TREND_OVER: Final = timedelta(minutes=5)
_IS_GROWTH: Final = 10
"""So many messages more than five minutes ago count as growing (invented)."""


@dataclass(frozen=True, slots=True)
class QueueLine:
    """One queue. ``behind``: how old its oldest message is, reckoned and not read (the bus does not
    tell): at the pace of the last minutes, or, where nothing is handled, since something waits.
    ``more`` is by how much it changed in five minutes; None while that is not known.
    """

    state: QueueState
    behind: timedelta | None
    more: int | None
    waiting: tuple[int | None, ...]
    handled: tuple[float | None, ...]

    @property
    def grows(self) -> bool:
        return self.more is not None and self.more >= _IS_GROWTH

    @property
    def stands(self) -> bool:
        """Tell whether something waits and nothing is handled."""
        return bool(self.state.waiting) and self.state.handled_a_minute == 0


def queue_lines(looks: Sequence[Look]) -> list[QueueLine]:
    """Make a line for each queue of the newest look."""
    if not looks:
        return []
    return [_line(state, looks) for state in looks[-1].queues]


def _line(state: QueueState, looks: Sequence[Look]) -> QueueLine:
    past = [(look.at, _of(look, state.queue)) for look in looks]
    return QueueLine(
        state,
        _behind(state, past),
        _more(state, past),
        tuple(None if one is None else one.waiting for _, one in past),
        tuple(None if one is None else one.handled_a_minute for _, one in past),
    )


def _of(look: Look, queue: str) -> QueueState | None:
    return next((one for one in look.queues if one.queue == queue), None)


_Past = Sequence[tuple[datetime, QueueState | None]]


def _behind(state: QueueState, past: _Past) -> timedelta | None:
    if not state.waiting:
        return None
    if state.handled_a_minute > 0:
        return timedelta(minutes=state.waiting / state.handled_a_minute)
    since = past[-1][0]
    for at, one in reversed(past):
        if one is None or not one.waiting or one.handled_a_minute > 0:
            break
        since = at
    return past[-1][0] - since


def _more(state: QueueState, past: _Past) -> int | None:
    if state.waiting is None:
        return None
    before = [
        one.waiting
        for at, one in past
        if one is not None and one.waiting is not None and past[-1][0] - at >= _TREND_OVER
    ]
    return state.waiting - before[-1] if before else None
