"""The table of a mutation run, for people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from schemas.quality.rates import wilson
from tests.mutants.mutating import Mutant
from tests.mutants.results import Results

Drawn = Mapping[str, tuple[Sequence[Mutant], int]]


@dataclass(frozen=True)
class Count:
    """Mutants in all, tried, and what came of them."""

    in_all: int = 0
    tried: int = 0
    killed: int = 0
    equivalent: int = 0
    survived: int = 0

    def __add__(self, other: Count) -> Count:
        return Count(
            self.in_all + other.in_all,
            self.tried + other.tried,
            self.killed + other.killed,
            self.equivalent + other.equivalent,
            self.survived + other.survived,
        )

    def row(self, name: str) -> str:
        """Give it as a line of a Markdown table."""
        told = (self.in_all, self.tried, self.killed, self.equivalent, self.survived)
        return f"| {name} | {' | '.join(map(str, told))} | {self.share()} |"

    def share(self) -> str:
        """Give the share that was killed of those that can be, with Wilson's interval at 95 %."""
        can_be = self.killed + self.survived
        if not can_be:
            return "–"
        low, high = wilson(self.killed, can_be)
        return f"{_percent(self.killed / can_be)} ({_percent(low)} to {_percent(high)})"


def markdown(groups: Mapping[str, Iterable[str]], drawn: Drawn, results: Results, seed: int) -> str:
    """Give the table by group and module, those left out that were not drawn."""
    lines = [
        f"| module (seed {seed}) | mutants | tried | killed | equivalent | survived "
        "| killed of those that can be, % (95 %) |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    total = Count()
    for group, modules in groups.items():
        counts = {one: _count(drawn[one], results) for one in modules if one in drawn}
        if not counts:
            continue
        together = sum(counts.values(), Count())
        total += together
        lines.append(together.row(f"**{group}**"))
        lines += [count.row(f"`{module}`") for module, count in counts.items()]
    return "\n".join([*lines, total.row("**all**")])


def _count(drawn: tuple[Sequence[Mutant], int], results: Results) -> Count:
    mutants, in_all = drawn
    found = [known for mutant in mutants if (known := results.of(mutant)) is not None]
    killed = sum(one.killed_by is not None for one in found)
    equivalent = sum(
        one.killed_by is None and one.mutant.key in results.equivalent for one in found
    )
    return Count(in_all, len(found), killed, equivalent, len(found) - killed - equivalent)


def _percent(share: float) -> str:
    return f"{100 * share:.1f}"
