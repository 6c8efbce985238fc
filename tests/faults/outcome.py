"""How a campaign ended, in a table."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from tests.faults.aftermath import Left
from tests.faults.members import Ended


@dataclass(frozen=True, slots=True)
class Outcome:
    """``checked`` is what the checker said, ``broken`` what of the harness itself did not work.

    ``stuck``: what was still under way when patience was over; empty where all came to rest.
    """

    seed: int
    studies: int
    faults: Counter[str]
    could_not: Counter[str]
    left: Left
    told_s: float
    quiet_s: float
    stuck: str
    ended: list[Ended]
    checked: str
    sound: bool
    broken: list[str]

    @property
    def good(self) -> bool:
        """Whether the checker found nothing, and no sound input was put aside for a person."""
        return self.sound and not (self.stuck or self.broken or self.left.kept)

    def table(self) -> str:
        """Write it for people."""
        lines = [f"seed {self.seed}: {self.studies} studies, {self.faults.total()} faults", ""]
        width = max(map(len, self.faults), default=0)
        lines += [f"  {name:<{width}}  {count:>4}" for name, count in sorted(self.faults.items())]
        if self.could_not:
            skipped = ", ".join(f"{name} {count}" for name, count in self.could_not.most_common())
            lines += ["", f"could not be made as things stood, others were: {skipped}"]
        states = ", ".join(f"{count} {state}" for state, count in self.left.postings.most_common())
        ended = Counter(
            f"{one.name.partition('-')[0]} with {one.code}: {_plain(one.said)}"
            for one in self.ended
        )
        lines += [
            "",
            f"told in {self.told_s:.0f} s, {self.stuck or f'quiet {self.quiet_s:.0f} s later'}",
            f"facts kept: {self.left.facts}; postings: {states or 'none'}",
            f"poison in triage: {self.left.poison_kept}; signatures for drafts that had changed "
            f"meanwhile: {self.left.void_signatures}",
            f"processes that ended by themselves and were started again: {ended.total()}",
            *(f"  {count} x {reason}" for reason, count in ended.most_common(20)),
            f"sound input put aside for a person: {self.left.kept.total()}",
            *(f"  {count} x {reason}" for reason, count in self.left.kept.most_common(20)),
            *(f"the harness broke: {one}" for one in self.broken),
            "",
            self.checked,
        ]
        return "\n".join(lines)


def _plain(said: str) -> str:
    """Leave out of a log's last line what is another each time."""
    return re.sub(r"\d+", "N", said)[:160]
