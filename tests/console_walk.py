"""Every route of the console with its path filled in, so that a new page is walked by itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import product
from re import findall
from typing import Final

from schemas.group import Role
from services.console.access import RULES, Rule, Scope

_PLACES: Final = ("room", "study", "entry", "name", "day", "month", "key", "person")
NOTHING: Final[dict[str, Sequence[str]]] = dict.fromkeys(_PLACES, ("x",))
"""What stands in a path where nothing of that name has to be there."""


def places_of(path: str) -> list[str]:
    return findall(r"{(\w+)", path)


def addresses(path: str, values: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Fill a path in, once for each value of each of its places (KeyError: a place is new here)."""
    places = places_of(path)
    for chosen in product(*(values[place] for place in places)):
        yield path.format(**dict(zip(places, chosen, strict=True)))


def routes(method: str | None = None) -> Iterator[tuple[str, str, Rule]]:
    for (one, path), rule in RULES.items():
        if method is None or one == method:
            yield one, path, rule


def person_for(rule: Rule) -> str:
    """Name somebody of the invented group's north who may reach it, by the first of its roles."""
    if rule.scope.value == "group":
        return "admin-all"
    return f"{min(rule.roles & set(Role), key=list(Role).index).value}-1"


def is_live(path: str) -> bool:
    return path == "/live"


def is_slow(path: str) -> bool:
    """It asks every service and waits for its peers, a minute at most, and takes nothing."""
    return path == "/operations/checks/now"


def is_open(rule: Rule) -> bool:
    return rule.scope is Scope.OPEN
