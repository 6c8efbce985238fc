"""A poster in a process of its own, that dies by SIGKILL once the record has answered so often.

Arguments: the store's URL, the file of the record's URL, and after how many answers to die.
"""

from __future__ import annotations

import os
import signal
import sys
from threading import Event

from services.records.adapters.sql import SqlAdapter
from services.records.port import ChargeAnswer, ChargePosting
from services.records.poster import Poster
from services.runtime.store import Store


class DyingAdapter(SqlAdapter):
    """Its row is committed, and nobody hears of it any more."""

    left = 1

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        answer = super().post_charge(posting)
        self.left -= 1
        if self.left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return answer


if __name__ == "__main__":
    url, url_file, die_after = sys.argv[1:]
    record = DyingAdapter({"url_file": url_file})
    record.left = int(die_after)
    Poster(Store(url), record, lambda: None, poll_s=0.01).run(Event())
