"""What a fault is: something that begins, may last, and is healed."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.faults.deployment import Deployment

Heal = Callable[[], None]


class CannotBegin(Exception):  # noqa: N818
    """This fault cannot be made as things stand; another is made in its place."""


@dataclass(frozen=True, slots=True)
class Begun:
    """A fault that has begun: what exactly was done, and how it is undone (None: nothing to do)."""

    detail: str
    heal: Heal | None = None


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of fault.

    ``on`` names what it happens to: two faults on the same thing are not made at a time.
    ``lasts_s`` are the shortest and the longest time in s before it is healed.
    """

    name: str
    on: str
    lasts_s: tuple[float, float]
    begin: Callable[[Deployment, random.Random], Begun]
    needs_mount: bool = False


def at_once() -> tuple[float, float]:
    """Give the length of a fault that is over as soon as it is made."""
    return (0.0, 0.0)
