"""What a benchmark brings back: values by round, and ratios between contenders of one round."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from statistics import median


class BenchError(RuntimeError):
    """A measurement cannot be used: something was lost, did not start, or took too long.

    Parameters
    ----------
    sentence
        Cause and remedy, without paths; it goes into the results.
    detail
        More for whoever runs the bench, for instance the end of a log; it is only printed.
    """

    def __init__(self, sentence: str, detail: str = "") -> None:
        self.detail = detail
        super().__init__(sentence)


EARLIER_DAYS = (8, 849, 8_499)
RATES = (5, 70, 500)


@dataclass(frozen=True, slots=True)
class Options:
    """How long to measure. ``quick`` only shows that the harness runs; its figures are noise.

    ``earlier_days``: how many days of 1,176 facts each store holds beside the first.
    ``rates``: exposures a second.
    """

    rounds: int = 3
    quick: bool = False
    earlier_days: tuple[int, ...] = EARLIER_DAYS
    rates: tuple[int, ...] = RATES

    def choose(self, full: int, quick: int) -> int:
        """Take the size for a real run, or the one for a quick look."""
        return quick if self.quick else full


@dataclass(slots=True)
class Measure:
    """One contender's values in one setting, one for each round, in the order of the rounds."""

    contender: str
    setting: str
    unit: str
    ours: bool = False
    values: list[float] = field(default_factory=list)

    @property
    def middle(self) -> float:
        return median(self.values)


@dataclass(frozen=True, slots=True)
class Ratio:
    """Ours divided by a peer's, round by round: above 1 we are faster."""

    ours: str
    peer: str
    setting: str
    values: tuple[float, ...]

    @property
    def middle(self) -> float:
        return median(self.values)


@dataclass(slots=True)
class Figure:
    """One table. ``rates`` says that more is better and that ratios make sense."""

    name: str
    title: str
    rates: bool
    measures: list[Measure] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def note(self, contender: str, setting: str, unit: str, value: float, *, ours: bool) -> None:
        """Add the value of one round."""
        for measure in self.measures:
            if (measure.contender, measure.setting, measure.unit) == (contender, setting, unit):
                measure.values.append(value)
                return
        self.measures.append(Measure(contender, setting, unit, ours, [value]))

    def ratios(self) -> Iterator[Ratio]:
        """Compare each of ours with each peer, only values of the same round."""
        if not self.rates:
            return
        for mine in (m for m in self.measures if m.ours):
            for peer in (m for m in self.measures if not m.ours):
                if (mine.setting, mine.unit) == (peer.setting, peer.unit):
                    pairs = zip(mine.values, peer.values, strict=True)
                    values = tuple(ours / theirs for ours, theirs in pairs)
                    yield Ratio(mine.contender, peer.contender, mine.setting, values)


def rotated(contenders: Sequence[str], round_number: int) -> list[str]:
    """Begin each round with another contender, so that none always runs on a fresh machine."""
    start = round_number % len(contenders)
    return [*contenders[start:], *contenders[:start]]


def percentile(values: Sequence[float], percent: float) -> float:
    """Give the smallest value that at least ``percent`` of all do not exceed (nearest rank)."""
    ordered = sorted(values)
    rank = max(1, -(-len(ordered) * percent // 100))
    return ordered[int(rank) - 1]
