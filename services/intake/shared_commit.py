"""One commit for all who wait at the same time: a sync of the disk costs more than the rows."""

from collections.abc import Callable
from threading import Lock
from typing import Generic, TypeVar

from sqlalchemy import Connection

from services.runtime.store import Store, StoreUnavailable

Result = TypeVar("Result")


class _Turn(Generic[Result]):
    """What one caller wants done, and what became of it."""

    def __init__(self, work: Callable[[Connection], Result]) -> None:
        self.work = work
        self.results: list[Result] = []
        self.error: Exception | None = None

    @property
    def is_over(self) -> bool:
        return bool(self.results) or self.error is not None


class SharedCommit:
    """Runs the works of many threads in few transactions. Whoever comes first commits for all."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._waiting: list[_Turn[object]] = []
        self._guard = Lock()
        self._committing = Lock()

    def run(self, work: Callable[[Connection], Result]) -> Result:
        """Return what ``work`` gives once it is committed.

        ``work`` may be run a second time, after a rollback, because of another's error; its own
        errors are raised here. Raises StoreUnavailable.
        """
        turn: _Turn[Result] = _Turn(work)
        with self._guard:
            self._waiting.append(turn)  # type: ignore[arg-type]
        with self._committing:
            if not turn.is_over:
                self._commit_all()
        if turn.error is not None:
            raise turn.error
        return turn.results[0]

    def _commit_all(self) -> None:
        with self._guard:
            turns, self._waiting = self._waiting, []
        try:
            with self._store.begin() as connection:
                results = [turn.work(connection) for turn in turns]
        except StoreUnavailable as error:
            for turn in turns:
                turn.error = StoreUnavailable(str(error))
                turn.error.__cause__ = error
        except Exception:  # noqa: BLE001 - told to whose it is, by running each alone
            for turn in turns:
                self._commit_alone(turn)
        else:
            for turn, result in zip(turns, results, strict=True):
                turn.results.append(result)

    def _commit_alone(self, turn: _Turn[object]) -> None:
        try:
            with self._store.begin() as connection:
                result = turn.work(connection)
        except Exception as error:  # noqa: BLE001 - raised in the thread whose it is
            turn.error = error
        else:
            turn.results.append(result)
