"""One trouble of the day as it is told, with what was checked of it and its pictures."""

import base64
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from demo.evening.guests import ZONE
from demo.evening.stage import CameOtherwise

_MIME: Final = {"png": "image/png", "svg": "image/svg+xml", "jpeg": "image/jpeg"}


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture for the page, in it as data. ``dark`` is the same for who reads in the dark."""

    light: str
    alt: str
    caption: str
    width: int
    height: int
    dark: str | None = None
    drawn: bool = False


def data_uri(kind: str, content: bytes) -> str:
    return f"data:{_MIME[kind]};base64,{base64.b64encode(content).decode()}"


@dataclass(slots=True)
class Chapter:
    """What happened at a hospital, and what came of it. ``checks`` were all found to hold."""

    number: int
    at: datetime
    place: str
    about: str
    title: str
    happened: str = ""
    system: str = ""
    person: str = ""
    record: str = ""
    checks: list[str] = field(default_factory=list)
    figures: list[Figure] = field(default_factory=list)

    @property
    def clock(self) -> str:
        return f"{self.at.astimezone(ZONE):%H:%M}"

    def check(self, words: str, holds: object) -> None:
        """Note what holds; where it does not, the day fails, naming what was told."""
        if not holds:
            raise CameOtherwise(f"{self.clock} {self.about}: expected that {words}")
        self.checks.append(words)

    def show(self, figure: Figure | None) -> None:
        if figure is not None:
            self.figures.append(figure)
