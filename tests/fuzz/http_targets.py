"""The HTTP doors, through the application's own ASGI interface."""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from schemas.facts import FACTS
from tests.fuzz.mutation import Mutator
from tests.fuzz.new_in_triage import NewInTriage
from tests.fuzz.record_targets import FHIR_SEEDS
from tests.fuzz.shape import ShapeMutator
from tests.fuzz.target import REFUSED, TAKEN, Broken, Ready, Target
from tests.intake_support import TOKENS, Intake, running_intake
from tests.record_inputs.codes import record_group, write_codes

_GOOD, _REFUSALS = frozenset({200}), frozenset({207, 307, 400, 401, 403, 404, 405, 413, 422})
_MOST_BODY_BYTES = 20_000


def _request(path: str, token: str, body: bytes, method: str = "POST") -> bytes:
    head = (
        f"{method} {path} HTTP/1.1\r\nHost: invented\r\nContent-Type: application/json\r\n"
        f"Authorization: Bearer {token}\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


def _scope(data: bytes) -> tuple[dict[str, Any], bytes]:
    """Read a request as a server would hand it on: its head is bytes between line ends."""
    head, _, body = data.partition(b"\r\n\r\n")
    first, *lines = head.split(b"\r\n")
    words = first.split(b" ")
    target = words[1] if len(words) > 1 else b"/"
    path, _, query = target.partition(b"?")
    headers = [
        (name.strip().lower(), value.strip())
        for name, found, value in (line.partition(b":") for line in lines)
        if found
    ]
    scope = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": words[0].decode("latin-1").upper() or "GET",
        "scheme": "http",
        "path": path.decode("utf-8", "replace") or "/",
        "raw_path": path,
        "query_string": query,
        "root_path": "",
        "headers": headers,
        "client": ("127.0.0.1", 40_000),
        "server": ("127.0.0.1", 8080),
        "state": {},
    }
    return scope, body


async def _call(app: Any, data: bytes) -> tuple[int, bytes]:
    scope, body = _scope(data)
    cut = random.Random(data).randrange(len(body) + 1)
    pieces = [body[:cut], body[cut:]]
    told: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        if not pieces:
            return {"type": "http.disconnect"}
        piece = pieces.pop(0)
        return {"type": "http.request", "body": piece, "more_body": bool(pieces)}

    async def send(part: Any) -> None:
        told.append(dict(part))

    await app(scope, receive, send)
    status = next(part["status"] for part in told if part["type"] == "http.response.start")
    return status, b"".join(part.get("body", b"") for part in told)


class _Door:
    """The application, and what of its triage has been looked at."""

    def __init__(self, intake: Intake, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        http = next(one for one in intake.service.loops if one.name == "http")
        self._app = http.run.__self__._server.config.app  # type: ignore[attr-defined]
        self._triage = NewInTriage(intake.runtime.store)

    def feed(self, data: bytes) -> str:
        status, body = self._loop.run_until_complete(_call(self._app, data))
        if status not in _GOOD | _REFUSALS:
            raise Broken(f"status {status}")
        content = json.loads(body) if body else None
        new = self._triage.look()
        if status == 207 and not new and not self._only_not_kept(content):
            raise Broken("a rejected offer is not in triage")
        if status in (400, 422) and new < 1:
            raise Broken(f"status {status}, and nothing is in triage")
        return TAKEN if status in _GOOD else REFUSED

    @staticmethod
    def _only_not_kept(answers: Any) -> bool:
        """What its teller may not say is answered and logged, and on purpose not kept."""
        rejected = [one["expected"] for one in answers if one["outcome"] == "rejected"]
        return any(
            words.endswith((", its own", "holds the token")) or " may tell: " in words
            for words in rejected
        )


def _prepare(seeds: Callable[[], tuple[list[bytes], Any]]) -> Callable[[Path], Ready]:
    def prepare(folder: Path) -> Ready:
        stack = ExitStack()
        write_codes(folder)
        intake = stack.enter_context(
            running_intake(folder, group=record_group(), max_body_bytes=_MOST_BODY_BYTES)
        )
        loop = asyncio.new_event_loop()
        stack.callback(loop.close)
        door = _Door(intake, loop)
        whole, mutate = seeds()
        return Ready(whole, mutate, door.feed, stack.close)

    return prepare


def _mixed(
    rng: random.Random, whole: Mutator, shape: ShapeMutator, heads: list[tuple[str, str, str]]
) -> bytes:
    if rng.random() < 0.3:
        return whole(rng)
    method, path, token = rng.choice(heads)
    return _request(path, token, shape(rng), method)


def _facts() -> tuple[list[bytes], Any]:
    offers = [
        {"kind": fact.KIND, "occurred_at": "2026-03-02T10:20:00+01:00", "payload": example}
        for fact in FACTS
        for example in fact.EXAMPLES
    ]
    bodies: list[Any] = [*offers, offers[:5], [offers[0]] * 12]
    heads = [("POST", "/facts", token) for token in TOKENS.values()]
    shape = ShapeMutator(bodies)
    seeds = [
        _request("/facts", token, json.dumps(body).encode())
        for token, body in zip([*TOKENS.values()] * 20, bodies, strict=False)
    ]
    tokens = (b"Bearer ", b"Basic eDp4", b"chunked", b"Content-Length: 99999999\r\n", b"[" * 500)
    whole = Mutator(seeds, tokens)
    return seeds, lambda rng: _mixed(rng, whole, shape, heads)


def _fhir() -> tuple[list[bytes], Any]:
    token = TOKENS["record-north"]
    heads = [
        ("POST", "/fhir/notify", token),
        ("POST", "/fhir/notify", token),
        ("PUT", "/fhir/notify/Patient/p1", token),
    ]
    shape = ShapeMutator(FHIR_SEEDS)
    seeds = [
        _request(path, token, json.dumps(body).encode(), method)
        for (method, path, token), body in zip(heads * 5, FHIR_SEEDS, strict=False)
    ]
    whole = Mutator(seeds, (b"Bearer ", b"application/fhir+xml", b"_history/1", b"%00"))
    return seeds, lambda rng: _mixed(rng, whole, shape, heads)


TARGETS = (
    Target("http-facts", _prepare(_facts), limit_s=5.0),
    Target("http-fhir", _prepare(_fhir), limit_s=5.0),
)
