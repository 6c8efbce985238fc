"""Which facts a request has told, so that the audit of an act names them. Kept for one request."""

from contextvars import ContextVar, Token
from types import TracebackType
from typing import Self

_NOW: ContextVar["Acts | None"] = ContextVar("console_acts", default=None)


class Acts:
    """The natural keys of the facts told within the block, in its threads too."""

    def __init__(self) -> None:
        self.natural_keys: list[str] = []
        self._before: Token[Acts | None] | None = None

    def __enter__(self) -> Self:
        self._before = _NOW.set(self)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._before is not None:
            _NOW.reset(self._before)


def note_act(natural_key: str) -> None:
    """Note that this request told a fact; outside a request nobody asks."""
    acts = _NOW.get()
    if acts is not None:
        acts.natural_keys.append(natural_key)
