"""How far two clocks are apart, from what they told: readings of the clocks, and agreement.

An image comes a nearly constant time after its exposure. So among all differences between an
image's and an exposure's time, those of true pairs lie close together, wherever the clocks stand,
and chance differences are spread out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

WIDE_WINDOW_S: Final = 900.0
"""How far apart two unread clocks may be, in seconds either way. A default of ours."""

HOUR_S: Final = 3600.0
"""A clock that missed the change to or from daylight saving time is off by this, besides."""

AGREEMENT_S: Final = 8.0
"""Differences within this width agree. A default of ours: an image is stamped some seconds after
its exposure, by a clock that may tell whole seconds."""

_MOST_CANDIDATES: Final = 6
_MOST_LOOKED_AT: Final = 24
_CLEAR_SUPPORT: Final = 6

Floats = NDArray[np.float64]
Places = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class OffsetCandidate:
    """Image clock minus exposure clock in seconds, the usual delay of an image included.

    ``support`` is the number of pairs that agree on it, each member counted once.
    """

    offset_s: float
    support: int


def pairs_within(
    exposures_s: Floats, images_s: Floats, low_s: float, high_s: float
) -> tuple[Places, Places]:
    """Give all (exposure, image) whose difference lies in a range, as places of both.

    ``images_s`` is sorted. Time grows with the number of pairs found.
    """
    first = images_s.searchsorted(exposures_s + low_s, side="left")
    last = images_s.searchsorted(exposures_s + high_s, side="right")
    counts = last - first
    i = np.arange(len(exposures_s)).repeat(counts)
    begins = first - counts.cumsum() + counts
    j = np.arange(len(i)) + begins.repeat(counts)
    return i, j


def offset_candidates(
    exposures_s: Sequence[float],
    images_s: Sequence[float],
    *,
    window_s: float = WIDE_WINDOW_S,
    hours: bool = False,
    most: int = _MOST_CANDIDATES,
) -> tuple[OffsetCandidate, ...]:
    """Give the offsets on which many pairs agree, the best supported first.

    At equal support the smaller offset comes first, since clocks are more often right than
    wrong. Each is the median of the differences that agree. None where no pair is in the window,
    which with ``hours`` lies around an hour more and an hour less as well.
    """
    exposures = np.sort(np.asarray(exposures_s, dtype=np.float64))
    images = np.sort(np.asarray(images_s, dtype=np.float64))
    centres = (-HOUR_S, 0.0, HOUR_S) if hours else (0.0,)
    found = [pairs_within(exposures, images, c - window_s, c + window_s) for c in centres]
    i = np.concatenate([pairs[0] for pairs in found])
    j = np.concatenate([pairs[1] for pairs in found])
    if not len(i):
        return ()
    differences = images[j] - exposures[i]
    order = np.argsort(differences, kind="stable")
    peaks = _peaks(differences[order], i[order], j[order])
    peaks.sort(key=lambda peak: (-peak.support, abs(peak.offset_s), peak.offset_s))
    chosen: list[OffsetCandidate] = []
    for peak in peaks:
        if len(chosen) == most:
            break
        if chosen and chosen[0].support >= _CLEAR_SUPPORT and peak.support * 8 < chosen[0].support:
            break
        if all(abs(peak.offset_s - other.offset_s) > AGREEMENT_S for other in chosen):
            chosen.append(peak)
    return tuple(chosen)


def _peaks(differences: Floats, i: Places, j: Places) -> list[OffsetCandidate]:
    """Find where a window of ``AGREEMENT_S`` over the sorted differences holds most of them."""
    ends = np.searchsorted(differences, differences + AGREEMENT_S, side="right")
    starts = np.arange(len(differences))
    # The window is sorted, so its median is in its middle.
    medians = (differences[(starts + ends - 1) // 2] + differences[(starts + ends) // 2]) / 2.0
    # Of windows with equally many the one of the smaller offset.
    worth = (ends - starts) - np.abs(medians) / 1e6
    found: list[OffsetCandidate] = []
    for _ in range(min(_MOST_LOOKED_AT, len(differences))):
        best = int(worth.argmax())
        if worth[best] == -np.inf:
            break
        inside = slice(best, ends[best])
        support = min(len(set(i[inside].tolist())), len(set(j[inside].tolist())))
        found.append(OffsetCandidate(float(medians[best]), support))
        # The medians rise with their windows.
        low = medians.searchsorted(medians[best] - AGREEMENT_S, side="left")
        high = medians.searchsorted(medians[best] + AGREEMENT_S, side="right")
        worth[low:high] = -np.inf
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


# Two readings that differ by no more tell a drift between them, else the clock was set there.
_DRIFT_MOST: Final = 1e-3
_DRIFT_SLACK_S: Final = 2.0


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
        """Take the readings' error from a time that the device told.

        Between two readings that tell a drift it is interpolated, else the nearest one holds.
        """
        readings = self.readings.get(device)
        if not readings:
            return told_s
        nearest = min(readings, key=lambda r: (abs(r.device_s - told_s), r.true_s))
        before = [r for r in readings if r.device_s <= told_s]
        after = [r for r in readings if r.device_s > told_s]
        if before and after:
            one, other = before[-1], min(after, key=lambda r: r.device_s)
            span_s = other.device_s - one.device_s
            change_s = other.error_s - one.error_s
            if abs(change_s) <= _DRIFT_SLACK_S + _DRIFT_MOST * span_s:
                return told_s - one.error_s - change_s * (told_s - one.device_s) / span_s
        return told_s - nearest.error_s
