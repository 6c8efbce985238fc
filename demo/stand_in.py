"""A stand-in device is a process of its own, told by lines of JSON what happens in the room.

The lines are the demo's stage directions only. To the services it speaks the real protocols.
"""

import json
import subprocess
import sys
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

Action = Callable[[dict[str, Any]], dict[str, Any]]


class StandInFailed(Exception):  # noqa: N818
    """A stand-in could not do what the day asked of it."""


class StandIn:
    """The orchestrator's side: start the process, tell it lines, read its answers."""

    def __init__(self, module: str, **options: object) -> None:
        arguments = [f"--{name.replace('_', '-')}={value}" for name, value in options.items()]
        self._name = module
        self._process = subprocess.Popen(
            [sys.executable, "-m", module, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def tell(self, **action: Any) -> None:
        """Tell it to do something, without waiting for the answer."""
        if self._process.stdin is None:
            raise StandInFailed(f"{self._name}: it takes no directions")
        self._process.stdin.write(json.dumps(action, default=str) + "\n")
        self._process.stdin.flush()

    def answer(self) -> dict[str, Any]:
        """Wait for the answer to the oldest direction not answered yet."""
        line = self._process.stdout.readline() if self._process.stdout else ""
        if not line:
            raise StandInFailed(f"{self._name}: ended with code {self._process.wait()}")
        answer: dict[str, Any] = json.loads(line)
        if "failed" in answer:
            raise StandInFailed(f"{self._name}: {answer['failed']}")
        return answer

    def ask(self, **action: Any) -> dict[str, Any]:
        self.tell(**action)
        return self.answer()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process.stdin:
            self._process.stdin.close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()


def perform(actions: dict[str, Action]) -> None:
    """The device's side: do each line's action until the input ends."""
    for line in sys.stdin:
        action = json.loads(line)
        try:
            answer = actions[action.pop("do")](action)
        except Exception as error:  # noqa: BLE001 - told to the orchestrator, which ends the day
            answer = {"failed": f"{type(error).__name__}: {error}"}
        print(json.dumps(answer, default=str), flush=True)
