"""Schemathesis over every route of the console and of intake's HTTP door, as each role.

``python -m tests.http_campaign --examples 200`` is the long form; a short one is a test. Every
request is a real one. Nothing may fail on our side, every status is one that the route declares,
and no text of a request comes back as markup.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import Case
from schemathesis.checks import CheckFunction, not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import status_code_conformance

from schemas.acting import ACTING_PERSON
from schemas.facts import FACTS
from services.console.access import RULES
from services.console.app import build_app
from services.console.security import SESSION_COOKIE
from services.intake.http_app import build_app as build_intake
from tests.assessed import STUDY
from tests.console_support import ROLES, TOKEN, RunningConsole, invented_group, running_console
from tests.console_told import a_day, hear
from tests.console_walk import is_live, is_slow
from tests.http_schema import CSRF, console_schema, intake_schema
from tests.intake_support import Intake, running_intake

KNOWN: Final[Mapping[str, Sequence[str]]] = {
    "site": ("north", "south"),
    "room": ("dental-1",),
    "study": (STUDY, "2.25.3001"),
    "entry": ("1",),
    "day": ("2026-03-02",),
    "month": ("2026-03",),
}
"""What the invented day holds: half of the requests name it, so that they reach past the 404."""
MARKED: Final = "\"'><b id=q8>{{7*191}}</b>\u202e=1+1"
_AS_MARKUP: Final = ("<b id=q8", "1337</b>", "1337&lt;")
_CHECKS: Final[list[CheckFunction]] = [not_a_server_error, status_code_conformance]


@dataclass
class Doors:
    """The console with an invented day, and the intake behind it."""

    console: RunningConsole
    intake: Intake


@contextmanager
def running_doors(folder: Path) -> Iterator[Doors]:
    with running_intake(folder / "intake", group=invented_group()) as intake:
        url = intake.facts_url.removesuffix("/facts")
        with running_console(
            folder / "console", intake_url=url, taps_per_minute=10_000, intake_timeout_s=60
        ) as console:
            hear(console.runtime.store, a_day())
            yield Doors(console, intake)


def walk_console(
    doors: Doors, examples: int, number: int = 0, *, each_role: bool = False
) -> Counter[str]:
    """Ask every route so often, valid and not, and count what was asked of each.

    As each role in turn, or in the short form as one that may be there, drawn anew each time.
    """
    running = doors.console
    schema = schemathesis.openapi.from_dict(console_schema(build_app(running.console)))
    asked: Counter[str] = Counter()

    def ask(case: Case[Any], place: Mapping[str, str], mark: str | None, role: str) -> None:
        asked[f"{case.method} {case.path}"] += 1
        case.path_parameters = {**(case.path_parameters or {}), **place}
        _mark(case, mark)
        with running.browser("north", f"{role}-1") as client:
            headers = {} if case.method == "GET" else {"X-CSRF-Token": running.csrf(client)}
            if isinstance(case.body, dict):
                case.body.pop(CSRF, None)
            _send(case, running.url, headers, {SESSION_COOKIE: client.cookies[SESSION_COOKIE]})

    for operation in _operations(schema):
        if is_live(operation.path) or is_slow(operation.path):
            continue
        places = [name for name in KNOWN if f"{{{name}}}" in operation.path]
        fields = _fields_of(operation)
        known = st.fixed_dictionaries({one: st.sampled_from(KNOWN[one]) for one in places})
        allowed = RULES[operation.method.upper(), operation.path].roles
        for roles in [[one] for one in ROLES] if each_role else [sorted(allowed)]:
            _run(
                ask,
                _cases(operation),
                st.one_of(st.just({}), known),
                st.one_of(st.none(), st.sampled_from(fields)) if fields else st.none(),
                st.sampled_from(roles),
                examples=examples,
                number=number,
            )
    return asked


def walk_live(doors: Doors, examples: int, number: int = 0) -> None:
    """The stream that does not end: its first answer is looked at."""

    def ask(topics: list[str], since: str, last: str) -> None:
        headers = {"Last-Event-ID": last} if last.isprintable() and last.isascii() else {}
        with (
            doors.console.browser("north", "vet-1") as client,
            client.stream(
                "GET", "/live", params={"topic": topics, "since": since}, headers=headers
            ) as answer,
        ):
            assert answer.status_code in {200, 403, 422}, (topics, since)

    topics = st.lists(st.one_of(st.sampled_from(["site:north", "study:south/1"]), st.text()))
    numbers = st.one_of(st.integers().map(str), st.text())
    _run(ask, topics, numbers, numbers, examples=examples, number=number)


def walk_intake(doors: Doors, examples: int, number: int = 0) -> int:
    """Tell facts as a console does for each role, and as nobody, valid by their schema and not."""
    desk: Any = None  # described, never asked: the real door answers
    runtime = doors.intake.runtime
    kinds = [fact.KIND for fact in FACTS]
    app = build_intake(runtime.group, desk, 1_000_000, runtime.audit)
    schema = schemathesis.openapi.from_dict(intake_schema(app, kinds))
    url = doors.intake.facts_url.removesuffix("/facts")
    asked = 0

    def ask(who: str | None, case: Case[Any], fact: Any) -> None:
        nonlocal asked
        asked += 1
        if fact is not None and isinstance(case.body, list) and case.body:
            kind, payload = fact
            if isinstance(case.body[0], dict):
                case.body[0] = case.body[0] | {"kind": kind, "payload": payload}
        _send(case, url, _acting(who), {})

    facts = st.sampled_from([(fact.KIND, dict(one)) for fact in FACTS for one in fact.EXAMPLES])
    for operation in _operations(schema):
        for who in (*ROLES, None):
            _run(
                partial(ask, who),
                _cases(operation),
                st.one_of(st.none(), facts.map(_changed)),
                examples=examples,
                number=number,
            )
    return asked


def _operations(schema: Any) -> Iterator[Any]:
    for found in schema.get_all_operations():
        yield found.ok()


def _acting(who: str | None) -> dict[str, str]:
    if who is None:
        return {}
    return {"Authorization": f"Bearer {TOKEN}", ACTING_PERSON: f"north/{who}-1"}


def _changed(fact: tuple[str, dict[str, Any]]) -> tuple[str, dict[str, Any]]:
    """Put the mark in place of every text that is no name or number."""
    kind, payload = fact
    return kind, {
        name: MARKED if isinstance(value, str) and " " in value else value
        for name, value in payload.items()
    }


def _cases(operation: Any) -> st.SearchStrategy[Case[Any]]:
    """Requests as the schema has them, and others; where nothing can be wrong, the former alone."""
    return st.one_of([operation.as_strategy(generation_mode=mode) for mode in GenerationMode])


def _fields_of(operation: Any) -> list[str]:
    return [one.name for one in operation.query]


def _mark(case: Case[Any], name: str | None) -> None:
    if name is not None:
        case.query = {**(case.query or {}), name: MARKED}
    if isinstance(case.body, dict):
        case.body = {
            field: MARKED if isinstance(value, str) and name is not None else value
            for field, value in case.body.items()
        }


def _send(case: Case[Any], url: str, headers: dict[str, str], cookies: dict[str, str]) -> None:
    answer = case.call(
        base_url=url, headers=headers, cookies=cookies, allow_redirects=False, timeout=60
    )
    case.validate_response(answer, checks=_CHECKS)
    if "html" in "".join(answer.headers.get("content-type", [])):
        for one in _AS_MARKUP:
            assert one not in answer.text, f"{case.method} {case.path}: {one} came back as markup"


def _run(ask: Any, *drawn: st.SearchStrategy[Any], examples: int, number: int) -> None:
    @seed(number)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=False,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.tuples(*drawn))
    def runs(values: tuple[Any, ...]) -> None:
        ask(*values)

    runs()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=50, help="for each route, role and mode")
    parser.add_argument("--seed", type=int, default=0)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, running_doors(Path(folder)) as doors:
        pages = walk_console(doors, chosen.examples, chosen.seed, each_role=True).total()
        walk_live(doors, chosen.examples, chosen.seed)
        facts = walk_intake(doors, chosen.examples, chosen.seed)
    print(json.dumps({"console_requests": pages, "intake_requests": facts, "seed": chosen.seed}))


if __name__ == "__main__":
    main()
