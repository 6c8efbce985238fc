"""A poster in a process of its own, to be killed by its parent or by itself.

Arguments: the store's URL, the record's folder, and after how many answers of the record to die
by SIGKILL, before the answer is marked (0: never).
"""

from __future__ import annotations

import os
import signal
import sys
from threading import Event

from services.records.adapters.folder import FolderAdapter
from services.records.port import ChargeAnswer, ChargePosting
from services.records.poster import Poster
from services.runtime.store import Store


class DyingFolder(FolderAdapter):
    """A folder whose poster dies right after the record has answered."""

    def __init__(self, options: dict[str, str], die_after: int) -> None:
        super().__init__(options)
        self._left = die_after

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        return self._die_or_answer(super().post_charge(posting))

    def reverse_charge(self, posting: ChargePosting) -> ChargeAnswer:
        return self._die_or_answer(super().reverse_charge(posting))

    def _die_or_answer(self, answer: ChargeAnswer) -> ChargeAnswer:
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return answer


def main() -> None:
    url, folder, die_after = sys.argv[1:]
    record = DyingFolder({"path": folder}, int(die_after))
    Poster(Store(url), record, lambda: None, poll_s=0.01).run(Event())


if __name__ == "__main__":
    main()
