"""All clocks of one room: each generator against each station, and one clock common to all."""

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from services.assessment.clock_offset import Clocks, Floats, Places
from services.assessment.clock_stands import ClockStand, stands_of
from services.assessment.clock_tracks import Belief, believe
from services.assessment.pairing_scores import Agreement, Exposure, Image

_MOST_COUNTER_BACKSTEPS: Final = 3

_NO_PLACES: Final = np.zeros(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class ClockPair:
    """One generator and one station: places of their members, and what is believed of them."""

    generator: str
    station: str
    exposures: Places
    images: Places
    belief: Belief


class RoomClocks:
    """The clocks of a room's members. Places are those in the sequences given."""

    def __init__(
        self,
        exposures: Sequence[Exposure],
        images: Sequence[Image],
        clocks: Clocks,
        agreement: Agreement,
        scanned: Collection[int] = (),
    ) -> None:
        """Weigh them. ``scanned`` are places of images whose times say nothing of exposures."""
        self.exposure_s: Floats = np.array(
            [clocks.corrected_s(e.device, e.at_s) for e in exposures], dtype=np.float64
        )
        self.image_s: Floats = np.array(
            [clocks.corrected_s(i.device, i.at_s) for i in images], dtype=np.float64
        )
        self.pairs: list[ClockPair] = []
        # Exposures by generator, in the order made; the first pairs are of the busiest station.
        self.chain: Places = _NO_PLACES
        generators = _busiest_first(e.device for e in exposures)
        stations = _busiest_first(i.device for i in images)
        # An exposure on a plate says nothing of the clocks: its image is made much later.
        makes = np.array([0.0 if e.plate else e.makes_image for e in exposures], dtype=np.float64)
        self._of_station: dict[str, Places] = {}
        self.generators = len(generators)
        chains = {g: _in_order(exposures, g, self.exposure_s) for g in generators}
        if chains:
            self.chain = np.concatenate(list(chains.values()))
        for station in stations:
            every = np.array([n for n, i in enumerate(images) if i.device == station])
            every = every[np.argsort(self.image_s[every], kind="stable")]
            self._of_station[station] = every
            there = every[[n not in scanned for n in every.tolist()]]
            share = len(there) / max(1, len(images) - len(scanned))
            for generator in generators:
                own = chains[generator]
                belief = believe(
                    self.exposure_s[own],
                    self.image_s[there],
                    makes[own] * share,
                    lambda i, j, own=own, there=there: agreement.scores(own[i], there[j]),  # type: ignore[misc]
                    read=clocks.is_read(generator) and clocks.is_read(station),
                )
                self.pairs.append(ClockPair(generator, station, own, there, belief))

    def common_times_s(self) -> tuple[Floats, Floats]:
        """Bring all onto the clock of the busiest station, less the usual delay of its images.

        Exposures and images of a true pair then stand at nearly the same time.
        """
        exposures, images = self.exposure_s.copy(), self.image_s.copy()
        if not self.pairs:
            return exposures, images
        main = self.pairs[0].station
        for pair in (p for p in self.pairs if p.station == main):
            exposures[pair.exposures] += pair.belief.offset_s(self.exposure_s[pair.exposures])
        for station in dict.fromkeys(p.station for p in self.pairs if p.station != main):
            rival = [p for p in self.pairs if p.station == station]
            best = max(rival, key=lambda p: max(p.belief.support, default=0.0))
            ahead_s = best.belief.offset_s(self.exposure_s[best.exposures])
            # An image's exposure is not known yet: the nearest one tells where the clocks stood.
            told_s = self.exposure_s[best.exposures] + ahead_s
            order = np.argsort(told_s, kind="stable")
            nearest = order[nearest_places(told_s[order], self.image_s[self._of_station[station]])]
            moved_s = exposures[best.exposures][nearest] - told_s[nearest]
            images[self._of_station[station]] += moved_s
        return exposures, images

    def line_s(self, common_s: Floats) -> Floats:
        """Give each exposure a time that never runs back where its generator's order does not.

        That is its generator's own time, unless that clock was set back, which its counter shows;
        then the common one. ``common_s`` is that of ``common_times_s``.
        """
        line_s = self.exposure_s.copy()
        if not self.pairs:
            return line_s
        main = self.pairs[0]
        for pair in (p for p in self.pairs if p.station == main.station):
            own, reference = pair.exposures, main.exposures
            if np.any(np.diff(self.exposure_s[own]) < 0.0):
                line_s[own] = common_s[own]
            elif pair is not main:
                # Onto the clock of the busiest generator.
                order = np.argsort(common_s[reference], kind="stable")
                nearest = reference[order][
                    nearest_places(common_s[reference][order], common_s[own])
                ]
                line_s[own] = common_s[own] - (common_s[nearest] - self.exposure_s[nearest])
        return line_s

    def explained(self) -> set[int]:
        """Give the places of images that stand where a likely track expects one."""
        found: set[int] = set()
        for pair in self.pairs:
            held = pair.belief.held
            for k, seen in enumerate(pair.belief.seen):
                near = np.abs(seen.residual_s) <= 3.0 * pair.belief.spread_s
                sure = held[seen.i, k] > 0.5
                found.update(pair.images[seen.j[near & sure]].tolist())
        return found

    def stands(self) -> tuple[ClockStand, ...]:
        """Tell each track that any exposure speaks for, the best supported first."""
        return tuple(
            stand
            for pair in self.pairs
            for stand in stands_of(
                pair.generator,
                pair.station,
                pair.belief,
                self.exposure_s[pair.exposures],
            )
        )


def _busiest_first(devices: Iterable[str]) -> list[str]:
    counted = Counter(devices)
    return sorted(counted, key=lambda device: (-counted[device], device))


def _in_order(exposures: Sequence[Exposure], generator: str, at_s: Floats) -> Places:
    """Order one generator's exposures as made: by its counter where that makes sense, else time.

    A clock that is set back in mid-day puts the told times out of order, the counter stays.
    """
    own = [n for n, e in enumerate(exposures) if e.device == generator]
    own.sort(key=lambda n: (at_s[n], exposures[n].key))
    counters = [exposures[n].counter for n in own]
    if all(counter is not None for counter in counters):
        counted = sorted(own, key=lambda n: (exposures[n].counter or 0, at_s[n], exposures[n].key))
        backsteps = sum(at_s[b] < at_s[a] for a, b in pairwise(counted))
        if backsteps <= _MOST_COUNTER_BACKSTEPS:
            own = counted
    return np.array(own, dtype=np.int64)


def nearest_places(sorted_s: Floats, wanted_s: Floats) -> Places:
    """Give, for each time wanted, the place of the nearest among sorted times, at least one."""
    if len(sorted_s) == 1:
        return np.zeros(len(wanted_s), dtype=np.int64)
    right = np.clip(np.searchsorted(sorted_s, wanted_s), 1, len(sorted_s) - 1)
    left = right - 1
    nearer_left = wanted_s - sorted_s[left] <= sorted_s[right] - wanted_s
    found: Places = np.where(nearer_left, left, right)
    return found
