"""JSON and YAML changed in their structure: another type, a name lost, doubled or deep."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Sequence
from typing import Any

from tests.fuzz.mutation import Mutator

ODD: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    10**18,
    10**30,
    1.5,
    -0.0,
    1e300,
    float("nan"),
    float("inf"),
    "",
    " ",
    "x",
    "\x00",
    "A" * 3000,
    "\u202e\U0001f9b7",
    "2026-03-02T09:15:00Z",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00",
    "2026-13-45T99:99:99Z",
    "20260302",
    "2.25.1",
    "../../etc",
    [],
    {},
    [[]],
    [None],
    {"": ""},
    {"x": 1},
    ["x"] * 200,
)
_DEEP = (3, 40, 130, 300)

Form = Callable[[random.Random, Any], str]


def as_json(rng: random.Random, value: Any) -> str:
    """Write JSON; now and then with escapes or without, indented or not."""
    return json.dumps(value, ensure_ascii=rng.random() < 0.5, indent=rng.choice((None, None, 1)))


class ShapeMutator:
    """Changes parsed seeds, writes them in a form, and sometimes changes the bytes as well."""

    def __init__(
        self, seeds: Sequence[Any], form: Form = as_json, tokens: Sequence[bytes] = ()
    ) -> None:
        self._seeds = seeds
        self._form = form
        self.written = [form(random.Random(0), seed).encode() for seed in seeds]
        self._bytes = Mutator(self.written, tokens)

    def __call__(self, rng: random.Random) -> bytes:
        if rng.random() < 0.3:
            return self._bytes(rng)
        try:
            value = copy.deepcopy(rng.choice(self._seeds))
            for _ in range(min(1 + int(rng.expovariate(0.8)), 6)):
                value = self._changed(rng, value)
            told = self._form(rng, value).encode("utf-8", "surrogatepass")
        except RecursionError:  # deeper than the writer or a copy can follow
            return b"[" * 5_000
        return self._bytes.changed(rng, told) if rng.random() < 0.15 else told

    def _changed(self, rng: random.Random, value: Any) -> Any:
        places = list(_places(value))
        if not places or rng.random() < 0.02:
            return rng.choice(ODD)
        holder, key = rng.choice(places)
        way = rng.randrange(9)
        if way <= 2:
            holder[key] = copy.deepcopy(rng.choice(ODD))
        elif way == 3:
            del holder[key]
        elif way == 4:
            other = rng.choice(places)
            holder[key] = copy.deepcopy(other[0][other[1]])
        elif way == 5:
            _extend(rng, holder, key)
        elif way == 6:
            deep: Any = holder[key]
            for _ in range(rng.choice(_DEEP)):
                deep = [deep] if rng.random() < 0.5 else {"x": deep}
            holder[key] = deep
        elif way == 7 and isinstance(holder[key], str):
            written = holder[key].encode("utf-8", "surrogatepass")
            holder[key] = self._bytes.changed(rng, written).decode("utf-8", "replace")
        else:
            holder[key] = _another_type(rng, holder[key])
        return value


def _places(value: Any) -> list[tuple[Any, Any]]:
    found: list[tuple[Any, Any]] = []
    left = [value]
    while left:
        one = left.pop()
        if isinstance(one, dict):
            inner: list[tuple[Any, Any]] = list(one.items())
        elif isinstance(one, list):
            inner = list(enumerate(one))
        else:
            continue
        for key, child in inner:
            found.append((one, key))
            left.append(child)
    return found


def _extend(rng: random.Random, holder: Any, key: Any) -> None:
    if isinstance(holder, list):
        holder.insert(rng.randrange(len(holder) + 1), copy.deepcopy(holder[key]))
        return
    name = rng.choice(("x", "", "kind", str(key) + "x", str(key).upper(), "A" * 300, "\x00"))
    holder[name] = copy.deepcopy(holder[key])


def _another_type(rng: random.Random, value: Any) -> Any:
    if isinstance(value, bool) or value is None:
        return str(value)
    if isinstance(value, int | float):
        return rng.choice((str(value), -value, [value], value * 10**6))
    if isinstance(value, str):
        return rng.choice(([value], {"value": value}, value * 40, value.upper(), len(value)))
    return rng.choice((json.dumps(value, default=str), [value], {"x": value}, list(value)))
