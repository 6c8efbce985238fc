"""Where one generator's and one station's clock stood to each other through a day.

A track is an offset with its drift. A day may have several, since a clock may be set in mid-day;
which one held when is a hidden chain over the exposures, in their order: it stays, or rarely jumps.
What an exposure's own image says of its track is left out where that image is weighed (otherwise
each pair would bear witness for itself).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from services.assessment.clock_offset import (
    HOUR_S,
    WIDE_WINDOW_S,
    Floats,
    Places,
    offset_candidates,
    pairs_within,
)
from services.assessment.pairing_scores import (
    FOREIGN_IMAGES_PER_S,
    TIME_REACH_S,
    USUAL_SPREAD_S,
    time_density,
)

# What is thought of the clocks before anything is seen: mostly right, within some seconds. Ours.
_WIDE_UNREAD, _HOUR_UNREAD, _SPREAD_UNREAD_S = 0.10, 0.02, 8.0
_WIDE_READ, _HOUR_READ, _SPREAD_READ_S = 0.01, 0.002, 5.0
_NO_TRACK: Final = 0.02
_JUMP: Final = 5e-4
"""Chance that a clock was set between two exposures."""

_SURE: Final = 0.5
_NOWHERE: Final = np.zeros(0, dtype=np.int64)
_MOST_TRACKS: Final = 7
_SAME_TRACK_S: Final = 3.0
_FIT_WITHIN_S: Final = 7.0
_FIT_ROUNDS: Final = 3
_USUAL_DRIFT: Final = 200e-6
DRIFT_HELD_AS_IF_S2: Final = (USUAL_SPREAD_S / _USUAL_DRIFT) ** 2
"""The usual drift, as the sum of squared times (s²) that it counts as much as."""

_SPREAD_LEAST_S, _SPREAD_MOST_S = 0.5, 4.0
_SPREAD_STEP_S: Final = 0.25
_SPREAD_KNOWN_AS_IF: Final = 8.0


@dataclass(frozen=True, slots=True)
class Track:
    """Image clock minus exposure clock is ``offset_s`` at ``middle_s``, and drifts from there.

    The usual delay of an image is part of it. ``drift`` is in seconds per second.
    """

    offset_s: float
    drift: float
    middle_s: float

    def at(self, times_s: Floats) -> Floats:
        return (times_s - self.middle_s) * self.drift + self.offset_s

    def at_one(self, time_s: float) -> float:
        return self.offset_s + self.drift * (time_s - self.middle_s)


@dataclass(frozen=True, slots=True)
class Sightings:
    """All pairs that a track allows, by place of exposure and image, with their residuals."""

    i: Places
    j: Places
    residual_s: Floats


@dataclass(frozen=True, slots=True)
class Belief:
    """What is believed of two clocks: tracks, what each allows, its share at each exposure.

    ``others`` leaves out what the exposure's own image says, ``held`` does not; rows are
    exposures, columns tracks; what is missing to 1 stands for no track. ``support`` is the number
    of exposures that speak for a track. ``spread_s`` is that of the images' delay.
    """

    tracks: tuple[Track, ...]
    seen: tuple[Sightings, ...]
    others: Floats
    held: Floats
    support: tuple[float, ...]
    spread_s: float

    def offset_s(self, times_s: Floats) -> Floats:
        """Image clock minus exposure clock at each exposure, by the likeliest track.

        Where no track is likely, that of the nearest exposure in the chain that has one; nothing
        is moved on a guess.
        """
        sure = np.flatnonzero(self.held.sum(axis=1) > _SURE) if self.tracks else _NOWHERE
        if not len(sure):
            return np.zeros(len(times_s))
        place = np.searchsorted(sure, np.arange(len(times_s)))
        right = sure[np.minimum(place, len(sure) - 1)]
        left = sure[np.maximum(place - 1, 0)]
        here = np.arange(len(times_s))
        nearest = np.where(np.abs(here - left) <= np.abs(right - here), left, right)
        every = np.column_stack([track.at(times_s) for track in self.tracks])
        found: Floats = every[here, self.held.argmax(axis=1)[nearest]]
        return found


def sightings(track: Track, exposure_s: Floats, image_s: Floats) -> Sightings:
    """Find the pairs within ``TIME_REACH_S`` of a track. ``image_s`` is sorted."""
    expected_s = exposure_s + track.at(exposure_s)
    i, j = pairs_within(expected_s, image_s, -TIME_REACH_S, TIME_REACH_S)
    return Sightings(i, j, image_s[j] - expected_s[i])


def believe(
    exposure_s: Floats,
    image_s: Floats,
    makes_image: Floats,
    agreement: Callable[[Places, Places], Floats],
    *,
    read: bool,
) -> Belief:
    """Weigh where two clocks stood. ``exposure_s`` in the order of the exposures.

    ``image_s`` is sorted; ``makes_image`` is the chance that an exposure shows among these
    images; ``agreement`` gives the agreement scores of pairs; ``read``: both clocks have been read.
    """
    candidates = offset_candidates(
        exposure_s.tolist(), image_s.tolist(), hours=True, most=2 * _MOST_TRACKS
    )
    fitted = sorted(
        (-c.support * 5.0 - math.log(_prior_density(c.offset_s, read)), n)
        for n, c in enumerate(candidates)
    )
    tracks: list[Track] = []
    ends = (float(exposure_s.min()), float(exposure_s.max())) if len(exposure_s) else (0.0, 0.0)
    middle_s = (ends[0] + ends[1]) / 2.0
    for _, n in fitted:
        if len(tracks) == _MOST_TRACKS:
            break
        start = Track(candidates[n].offset_s, 0.0, middle_s)
        track = _fit(start, exposure_s, image_s)
        if not any(_same(track, other, ends) for other in tracks):
            tracks.append(track)
    if not tracks:
        nothing = np.zeros((len(exposure_s), 0))
        return Belief((), (), nothing, nothing, (), USUAL_SPREAD_S)
    seen = tuple(sightings(track, exposure_s, image_s) for track in tracks)
    agrees = [np.exp(agreement(pairs.i, pairs.j)) for pairs in seen]
    # Mostly the best track's own pairs tell the spread already, and all is weighed once.
    near = np.abs(seen[0].residual_s)
    guess_s = _drawn_spread_s(near[near <= _FIT_WITHIN_S])
    belief = _weigh(tracks, seen, makes_image, agrees, guess_s, read)
    spread_s = _spread_s(belief, seen)
    if abs(spread_s - guess_s) > _SPREAD_STEP_S / 2.0:
        belief = _weigh(tracks, seen, makes_image, agrees, spread_s, read)
    return belief


def _same(one: Track, other: Track, ends: tuple[float, float]) -> bool:
    return all(abs(one.at_one(end) - other.at_one(end)) < _SAME_TRACK_S for end in ends)


def _fit(track: Track, exposure_s: Floats, image_s: Floats) -> Track:
    """Fit offset and drift to the pairs near a track, drawn to little drift where they are few."""
    since_middle_s = exposure_s - track.middle_s
    for _ in range(_FIT_ROUNDS):
        expected_s = exposure_s + (since_middle_s * track.drift + track.offset_s)
        i, j = pairs_within(expected_s, image_s, -_FIT_WITHIN_S, _FIT_WITHIN_S)
        if len(i) < 2:
            return track
        since_s = since_middle_s[i]
        left_s = image_s[j] - expected_s[i]
        weight = np.exp((left_s * left_s) * (-0.5 / 3.0**2))
        total = float(weight.sum())
        mean_since_s = float((weight * since_s).sum()) / total
        mean_left_s = float((weight * left_s).sum()) / total
        apart = since_s - mean_since_s
        pulled = weight * apart
        # Of the whole drift, so that several rounds do not each draw anew.
        steeper = float((pulled * (left_s - mean_left_s)).sum()) - DRIFT_HELD_AS_IF_S2 * track.drift
        steeper /= float((pulled * apart).sum()) + DRIFT_HELD_AS_IF_S2
        track = Track(
            track.offset_s + mean_left_s - steeper * mean_since_s,
            track.drift + steeper,
            track.middle_s,
        )
    return track


def _weigh(
    tracks: Sequence[Track],
    seen: Sequence[Sightings],
    makes_image: Floats,
    agrees: Sequence[Floats],
    spread_s: float,
    read: bool,
) -> Belief:
    count = len(makes_image)
    shown = np.ones((count, len(tracks) + 1))
    for k, (pairs, ratio) in enumerate(zip(seen, agrees, strict=True)):
        weight = time_density(pairs.residual_s, spread_s) * ratio
        found = np.bincount(pairs.i, weights=weight, minlength=count) / FOREIGN_IMAGES_PER_S
        shown[:, k] = 1.0 - makes_image + makes_image * found
    before = np.array([_prior_mass(t, read) for t in tracks] + [_NO_TRACK])
    told = shown.tolist()
    forward = np.array(_sweep(told, before.tolist())).reshape(shown.shape)
    backward = np.array(_sweep(told[::-1], before.tolist())[::-1]).reshape(shown.shape)
    # Both sweeps hold the chain's own prior: it is taken out once.
    others = forward * backward / before
    others /= others.sum(axis=1, keepdims=True)
    held = others * shown
    held /= held.sum(axis=1, keepdims=True)
    speaks = held[:, :-1] * (shown[:, :-1] - (1.0 - makes_image)[:, None]) / shown[:, :-1]
    return Belief(
        tuple(tracks),
        tuple(seen),
        others[:, :-1],
        held[:, :-1],
        tuple(float(s) for s in speaks.sum(axis=0)),
        spread_s,
    )


def _sweep(shown: list[list[float]], before: list[float]) -> list[list[float]]:
    """Give, at each exposure, the share of each track by the exposures before it in the chain.

    In plain floats: for so few tracks that is quicker than arrays.
    """
    total = sum(before)
    share = [one / total for one in before]
    anew = [one * _JUMP for one in share]
    rows: list[list[float]] = []
    for row in shown:
        rows.append(share)
        held = [one * factor for one, factor in zip(share, row, strict=True)]
        stays = (1.0 - _JUMP) / sum(held)
        share = [one * stays + fresh for one, fresh in zip(held, anew, strict=True)]
    return rows


def _spread_s(belief: Belief, seen: Sequence[Sightings]) -> float:
    """Take the delay's spread from the pairs of the likeliest tracks, drawn to the usual one."""
    sure = np.where(belief.held.max(axis=1) > 0.9, belief.held.argmax(axis=1), -1)
    missed = np.concatenate([np.abs(s.residual_s[sure[s.i] == k]) for k, s in enumerate(seen)])
    return _drawn_spread_s(missed)


def _drawn_spread_s(missed: Floats) -> float:
    near = missed[missed <= 10.0]
    if len(near) < 4:
        return USUAL_SPREAD_S
    near.sort()
    middle = len(near) // 2
    own_s = 1.4826 * float(near[middle] + near[-middle - 1]) / 2.0
    weight = len(near) / (len(near) + _SPREAD_KNOWN_AS_IF)
    drawn_s = weight * own_s + (1.0 - weight) * USUAL_SPREAD_S
    # In steps, so that one more exposure seldom shifts the confidence of all others.
    stepped_s = round(drawn_s / _SPREAD_STEP_S) * _SPREAD_STEP_S
    return min(max(stepped_s, _SPREAD_LEAST_S), _SPREAD_MOST_S)


def _prior_density(offset_s: float, read: bool) -> float:
    """Density, per second, of how far the clocks are apart, before anything is seen."""
    wide, hour, spread_s = (
        (_WIDE_READ, _HOUR_READ, _SPREAD_READ_S)
        if read
        else (_WIDE_UNREAD, _HOUR_UNREAD, _SPREAD_UNREAD_S)
    )

    def around(away_s: float) -> float:
        near = math.exp(-abs(away_s) / spread_s) / (2.0 * spread_s)
        flat = 1.0 / (2.0 * WIDE_WINDOW_S) if abs(away_s) <= WIDE_WINDOW_S else 0.0
        return (1.0 - wide) * near + wide * flat

    aside = (around(offset_s - HOUR_S) + around(offset_s + HOUR_S)) / 2.0
    return (1.0 - hour) * around(offset_s) + hour * aside + 1e-12


def _prior_mass(track: Track, read: bool) -> float:
    """The share of a track: as much of the density as its pairs' spread cannot tell apart."""
    width_s = math.sqrt(2.0 * math.pi) * USUAL_SPREAD_S
    return width_s * _prior_density(track.offset_s, read)
