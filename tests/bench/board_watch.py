"""Sees the console's live pages be told of studies, as the browsers of many open boards would."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Sequence
from http import HTTPStatus
from queue import Empty, SimpleQueue
from threading import Event, Lock, Thread
from types import TracebackType
from typing import Self

import httpx
from sqlalchemy import bindparam, select

from services.console.changes import RELOAD, site_of, topic
from services.console.tables import STUDY
from services.runtime.store import Store
from tests.bench.figures import BenchError
from tests.bench.invented_rooms import LOOKS_ON
from tests.bench.program import Program
from tests.servers.polling import wait_until

TOPICS_A_PAGE = 20
READY_TIMEOUT_S = 180.0
LOOK_EVERY_S = 0.2

_REVISIONS = select(STUDY.c.site, STUDY.c.study_instance_uid, STUDY.c.revision).where(
    STUDY.c.site.in_(bindparam("sites", expanding=True))
)


class BoardWatch:
    """Listens to every site as open pages do, and notes when a study's revision was there.

    A page is told that something of its site changed, not what; so on each event the read model
    is asked, and what it then holds counts from the answer on: a little late, never early.
    """

    def __init__(self, program: Program, sites: Sequence[str]) -> None:
        self._pages = [
            sites[begin : begin + TOPICS_A_PAGE] for begin in range(0, len(sites), TOPICS_A_PAGE)
        ]
        self._store = Store(program.backend.store_url)
        self._client = httpx.Client(base_url=program.console_url, timeout=READY_TIMEOUT_S)
        self._told: SimpleQueue[str] = SimpleQueue()
        self._stop = Event()
        self._lock = Lock()
        self._seen: dict[tuple[str, str], list[tuple[int, float]]] = {}
        self._listening = 0
        self._ended: str | None = None
        self._looking = Thread(target=self._look, daemon=True)

    def __enter__(self) -> Self:
        _sign_in(self._client)
        for sites in self._pages:
            # They end with the console, which lets its pages go.
            Thread(target=self._listen, args=(sites,), daemon=True).start()
        self._looking.start()
        wait_until(
            lambda: self._listening == len(self._pages), READY_TIMEOUT_S, "the pages to listen"
        )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._looking.join(READY_TIMEOUT_S)
        self._client.close()
        self._store.close()

    def seen_at_s(self, site: str, study: str, revision: int) -> float | None:
        """Return when a study was first there at a revision or a later one, by
        ``time.perf_counter``."""
        if self._ended is not None:
            raise BenchError(f"live pages: expected them to stay open, got {self._ended}")
        with self._lock:
            seen = self._seen.get((site, study), [])
            return next((at_s for known, at_s in seen if known >= revision), None)

    def _listen(self, sites: Sequence[str]) -> None:
        topics = {"topic": [topic("site", site) for site in sites]}
        headers = {"Accept": "text/event-stream"}
        try:
            with self._client.stream("GET", "/live", params=topics, headers=headers) as response:
                if response.status_code != HTTPStatus.OK:
                    raise BenchError(f"HTTP {response.status_code}")
                with self._lock:
                    self._listening += 1
                for told in _data(response.iter_lines()):
                    for site in sites if told == RELOAD else [site_of(told)]:
                        self._told.put(site)
            raise BenchError("the end of a stream")
        except (httpx.HTTPError, httpx.StreamError, BenchError, OSError) as error:
            if not self._stop.is_set():
                self._ended = str(error)

    def _look(self) -> None:
        while not self._stop.is_set():
            sites = self._next_sites()
            if not sites:
                continue
            with self._store.read() as connection:
                rows = connection.execute(_REVISIONS, {"sites": sorted(sites)}).all()
            now_s = time.perf_counter()
            with self._lock:
                for row in rows:
                    seen = self._seen.setdefault((row.site, row.study_instance_uid), [])
                    if not seen or seen[-1][0] < row.revision:
                        seen.append((row.revision, now_s))

    def _next_sites(self) -> set[str]:
        sites: set[str] = set()
        try:
            sites.add(self._told.get(timeout=LOOK_EVERY_S))
            while True:
                sites.add(self._told.get_nowait())
        except Empty:
            return sites


def _data(lines: Iterator[str]) -> Iterator[str]:
    return (line.removeprefix("data: ") for line in lines if line.startswith("data: "))


def _sign_in(client: httpx.Client) -> None:
    proof = re.search(r'name="csrf" value="([^"]+)"', client.get("/sign-in").text)
    if proof is None:
        raise BenchError("sign-in: expected a form with its proof")
    fields = {"csrf": proof[1], "name": LOOKS_ON, "password": f"invented password of {LOOKS_ON}"}
    answer = client.post("/sign-in", data=fields)
    if answer.status_code != HTTPStatus.SEE_OTHER:
        raise BenchError(f"sign-in: expected HTTP 303, got {answer.status_code}", answer.text)
