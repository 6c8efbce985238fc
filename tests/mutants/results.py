"""What came of each trial, kept line by line, so that a run can go on where it was stopped."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

import yaml

from tests.mutants.modules import file_of
from tests.mutants.mutating import Mutant

EQUIVALENT = Path(__file__).with_name("equivalent.yaml")


@dataclass(frozen=True)
class Result:
    """A mutant and the test that killed it, or None."""

    mutant: Mutant
    killed_by: str | None


class Results:
    """The newest result of each mutant of a module that has not changed since."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._known: dict[tuple[str, Mutant], Result] = {}
        self.equivalent = equivalents()
        if path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                told = json.loads(line)
                mutant = Mutant(**told["mutant"])
                found = Result(mutant, told["killed_by"])
                self._known[told["sha"], mutant] = found

    def of(self, mutant: Mutant) -> Result | None:
        """Give what came of a mutant of the module as it is now."""
        return self._known.get((_sha(mutant.module), mutant))

    def add(self, result: Result) -> None:
        """Keep a result."""
        sha = _sha(result.mutant.module)
        self._known[sha, result.mutant] = result
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps({"sha": sha, **asdict(result)}) + "\n")

    def survivors(self, drawn: Mapping[str, tuple[Iterable[Mutant], int]]) -> list[Mutant]:
        """Give those that no test kills and that are not listed as equivalent."""
        return [
            mutant
            for mutants, _ in drawn.values()
            for mutant in mutants
            if (found := self.of(mutant)) is not None
            and found.killed_by is None
            and mutant.key not in self.equivalent
        ]


def equivalents() -> dict[str, str]:
    """Give why no test can tell a mutant from the original, by the mutant's key."""
    told = yaml.safe_load(EQUIVALENT.read_text(encoding="utf-8")) or []
    return {f"{one['module']} | {one['was']} | {one['becomes']}": one["why"] for one in told}


@cache
def _sha(module: str) -> str:
    return hashlib.sha256(file_of(module).read_bytes()).hexdigest()[:16]
