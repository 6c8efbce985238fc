"""The list of promises: what is promised, which test holds it, and a break to see that it does."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import yaml
from pydantic import BaseModel, ConfigDict, Field

ROOT = Path(__file__).parents[2]
LIST = Path(__file__).with_name("promises.yaml")
TABLE = ROOT / "tests" / "PROMISES.md"


class Change(BaseModel):
    """One text of one file put in the place of another."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    file: str
    find: str
    put: str

    def __str__(self) -> str:
        return f"{self.file}: {self.find.strip()!r}"

    def fits(self, root: Path) -> bool:
        """Tell whether the file has the text exactly once."""
        path = root / self.file
        return path.is_file() and path.read_text(encoding="utf-8").count(self.find) == 1

    def plant(self, root: Path) -> None:
        """Change the file."""
        path = root / self.file
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace(self.find, self.put, 1), encoding="utf-8")


class Promise(BaseModel):
    """A promise; ``broken`` says in words what its break does."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    promise: str
    of: str
    test: str | None = None
    command: str | None = None
    changes: tuple[Change, ...] = Field(alias="break", min_length=1)
    broken: str
    seen: str | None = None
    """The day on which the test was seen failing by this break."""

    @property
    def held_by(self) -> str:
        """Give what fails where it is broken."""
        return self.test or f"make check ({self.command})"


@cache
def promises() -> tuple[Promise, ...]:
    """Read the list."""
    told = yaml.safe_load(LIST.read_text(encoding="utf-8"))
    return tuple(Promise.model_validate(one) for one in told)


def names_of(test: str) -> tuple[Path, str]:
    """Part ``path::test_name``."""
    path, _, name = test.partition("::")
    return ROOT / path, name


def table() -> str:
    """Give the list as Markdown, for people."""
    lines = [
        "# The promises, and the tests that hold them",
        "",
        "Made by `python -m tests.promises --table` of [`promises.yaml`](promises/promises.yaml); "
        "do not edit. For each promise of the design and of the README: the test that fails where "
        "it is broken, and the break by which that was last seen. `make promises` plants each "
        "break in a scratch copy, runs its test and wants it to fail (`--only WORD`: some).",
        "",
        "| promise | of | test | seen failing |",
        "| --- | --- | --- | --- |",
    ]
    for one in promises():
        seen = f"{one.seen}: {one.broken}" if one.seen else "not yet"
        cells = (one.promise, one.of, f"`{one.held_by.removeprefix('tests/')}`", seen)
        lines.append(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |")
    return "\n".join(lines) + "\n"
