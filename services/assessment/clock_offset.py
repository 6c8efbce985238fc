"""How far two clocks are apart, from what they told: readings of the clocks, and agreement.

An image comes a nearly constant time after its exposure. So among all differences between an
image's and an exposure's time, those of true pairs lie close together, wherever the clocks stand,
and chance differences are spread out.
"""

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

WIDE_WINDOW_S: Final = 600.0
"""How far apart two unread clocks may be, in seconds either way. A default of ours."""

AGREEMENT_S: Final = 8.0
"""Differences within this width agree. A default of ours: an image is stamped some seconds after
its exposure, by a clock that may tell whole seconds."""

_MOST_CANDIDATES: Final = 6
_CLEAR_SUPPORT: Final = 6


@dataclass(frozen=True, slots=True)
class OffsetCandidate:
    """Image clock minus exposure clock in seconds, the usual delay of an image included.

    ``support`` is the number of pairs that agree on it, each member counted once.
    """

    offset_s: float
    support: int


def offset_candidates(
    exposures_s: Sequence[float], images_s: Sequence[float], *, window_s: float = WIDE_WINDOW_S
) -> tuple[OffsetCandidate, ...]:
    """Give the offsets on which many pairs agree, the best supported first.

    At equal support the smaller offset comes first, since clocks are more often right than
    wrong. Each is the median of the differences that agree. None where no pair is in the window.
    """
    images = sorted(images_s)
    differences = sorted(
        (images[j] - exposure, i, j)
        for i, exposure in enumerate(sorted(exposures_s))
        for j in range(
            bisect_left(images, exposure - window_s), bisect_right(images, exposure + window_s)
        )
    )
    peaks = sorted(_peaks(differences), key=lambda p: (-p.support, abs(p.offset_s), p.offset_s))
    chosen: list[OffsetCandidate] = []
    for peak in peaks:
        if len(chosen) == _MOST_CANDIDATES:
            break
        if chosen and chosen[0].support >= _CLEAR_SUPPORT and peak.support * 2 < chosen[0].support:
            break
        if all(abs(peak.offset_s - other.offset_s) > AGREEMENT_S for other in chosen):
            chosen.append(peak)
    return tuple(chosen)


def _peaks(differences: Sequence[tuple[float, int, int]]) -> list[OffsetCandidate]:
    """Slide a window of ``AGREEMENT_S`` over the sorted differences."""
    found: list[OffsetCandidate] = []
    exposures: Counter[int] = Counter()
    images: Counter[int] = Counter()
    end = 0
    for start, (low, i, j) in enumerate(differences):
        while end < len(differences) and differences[end][0] <= low + AGREEMENT_S:
            exposures[differences[end][1]] += 1
            images[differences[end][2]] += 1
            end += 1
        support = min(len(exposures), len(images))
        # The window is sorted, so its median is in its middle.
        below, above = (start + end - 1) // 2, (start + end) // 2
        median_s = (differences[below][0] + differences[above][0]) / 2.0
        found.append(OffsetCandidate(median_s, support))
        for counter, member in ((exposures, i), (images, j)):
            counter[member] -= 1
            if not counter[member]:
                del counter[member]
    return found


@dataclass(frozen=True, slots=True)
class ClockReading:
    """A device's clock showed ``device_s`` when it was ``true_s`` by ours (seconds UTC)."""

    device: str
    true_s: float
    device_s: float

    @property
    def error_s(self) -> float:
        return self.device_s - self.true_s


@dataclass(frozen=True, slots=True)
class Clocks:
    """What the clock readings say. A device that was never read counts as right, unread."""

    readings: Mapping[str, tuple[ClockReading, ...]]

    @classmethod
    def of(cls, readings: Sequence[ClockReading]) -> "Clocks":
        by_device: dict[str, list[ClockReading]] = {}
        for reading in sorted(set(readings), key=lambda r: (r.device, r.true_s, r.device_s)):
            by_device.setdefault(reading.device, []).append(reading)
        return cls({device: tuple(told) for device, told in by_device.items()})

    def is_read(self, device: str) -> bool:
        return device in self.readings

    def corrected_s(self, device: str, told_s: float) -> float:
        """Take the nearest reading's error from a time that the device told."""
        readings = self.readings.get(device)
        if not readings:
            return told_s
        nearest = min(readings, key=lambda r: (abs(r.device_s - told_s), r.true_s))
        return told_s - nearest.error_s
